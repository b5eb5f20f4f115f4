"""Where the blade lies in its strip, from the strip's regions: start, tip, middle, direction and width."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.outlines.segmentation import Regions
from keyid.outlines.strip import STEP_MM, Strip

Array = NDArray[np.float64]

FACE_P = 0.5  # probability from which a sample is face
MIN_AREA_MM2 = 30.0  # of the face: the smallest blades have three times that
TIP_ROWS_MM = 0.8  # face across a column from which it is blade: more than a burr or a stray patch
CORE = 0.25  # |v| from the middle up to that part of the width is metal on every blade
TAPER_MM = 4.0  # before the tip, where the edges turn in
START_MM = 1.0  # past the start, where a collar's rounding or a head's front may reach
START_LEVEL_MM = 0.5  # past the start: the first cut's flank begins no earlier
LAND_PERCENTILE = 85  # of an edge's places across: its lands, not its cuts
WIDTHS_MM = (4.5, 12.5)  # of the blades of flat keys (common practice, no source)
LONGEST_COLLAR_MM = 6.5  # behind it comes head
HEAD_MM2 = 8.0  # of head that must be seen to tell what it is made of
METAL_SHARE, PLASTIC_SHARE = 0.03, 0.2  # of plastic: metal is never taken for it, grey plastic in part for metal
START_FLOOR = 0.02  # probability below which neither face nor body is distinguished
LINE_ROUNDS = 8
LINE_SCATTER_MM = 0.03  # of a straight edge in the regions: half a sample of the network


@dataclass(frozen=True)
class BladeRegion:
    """The blade in its strip's frame, in mm.

    Attributes
    ----------
    start_mm, tip_mm : float
        Stations where the blade leaves collar or head, and of its foremost column.
    middle_mm, slope : float
        Place across of the mid-line at the tip, and its slope.
    width_mm : float
    """

    start_mm: float
    tip_mm: float
    middle_mm: float
    slope: float
    width_mm: float

    @property
    def ends(self) -> Array:
        """Start and tip of the mid-line, (2, 2) in (s, v)."""
        drop = self.slope * (self.tip_mm - self.start_mm)
        return np.array([[self.start_mm, self.middle_mm - drop], [self.tip_mm, self.middle_mm]])


def unclear_blade() -> PhotoError:
    """The error for a blade that can't be seen."""
    return PhotoError(
        "key-unclear",
        "The key's blade can't be told from what is around it.",
        "Take the photo again on a plain surface of another colour, without glare.",
    )


def find_region(strip: Strip, regions: Regions) -> BladeRegion:
    """The blade's place in the strip.

    Raises PhotoError ``key-unclear`` when there is no face of a blade's size.
    """
    mask = _largest(regions.face > FACE_P)
    across = mask.sum(axis=0) * STEP_MM
    columns = np.flatnonzero(across > TIP_ROWS_MM)
    if mask.sum() * STEP_MM**2 < MIN_AREA_MM2 or len(columns) == 0:
        raise unclear_blade()
    tip = columns[-1]
    rows = np.nonzero(mask[:, columns])[0]
    centre, half = float(np.median(rows)), CORE * float(np.median(across[columns])) / STEP_MM
    core = slice(max(0, int(centre - half)), int(centre + half) + 1)
    start = _start(regions, core, int(tip))
    inside = columns[(columns > start + START_MM / STEP_MM) & (columns < tip - TAPER_MM / STEP_MM)]
    if len(inside) < 2:
        inside = columns
    s = strip.s_mm[inside]
    top = strip.v_mm[mask[:, inside].argmax(axis=0)]
    bottom = strip.v_mm[len(mask) - 1 - mask[::-1, inside].argmax(axis=0)]
    fits = [_robust_line(s, edge) for edge in (top, bottom)]
    weights = np.array([1 / max(scatter, LINE_SCATTER_MM) ** 2 for _, scatter in fits])
    slope = float(np.average([slope for slope, _ in fits], weights=weights))
    at_tip = [edge - slope * (s - strip.s_mm[tip]) for edge in (top, bottom)]
    upper, lower = np.percentile(at_tip[0], LAND_PERCENTILE), np.percentile(at_tip[1], 100 - LAND_PERCENTILE)
    return BladeRegion(
        float(strip.s_mm[start]),
        float(strip.s_mm[tip]),
        float(upper + lower) / 2,
        slope,
        float(np.clip(upper - lower, *WIDTHS_MM)),
    )


def head_of(strip: Strip, regions: Regions, region: BladeRegion) -> Literal["metal", "plastic"] | None:
    """What the head is made of; None where too little of it shows or it may be either."""
    behind = strip.s_mm < region.start_mm - LONGEST_COLLAR_MM
    plastic, metal = (float(share[:, behind].sum()) * STEP_MM**2 for share in (regions.plastic, regions.body))
    if plastic + metal < HEAD_MM2 or METAL_SHARE < plastic / (plastic + metal) < PLASTIC_SHARE:
        return None
    return "plastic" if plastic > metal * PLASTIC_SHARE else "metal"


def level_at_start(strip: Strip, regions: Regions, region: BladeRegion, sign: int) -> float:
    """How far out, on the side ``sign``, the face reaches where the blade begins (mm): cuts leave most there."""
    near = (strip.s_mm > region.start_mm) & (strip.s_mm < region.start_mm + START_LEVEL_MM)
    face = np.flatnonzero(np.median(regions.face[:, near], axis=1) > FACE_P) if near.any() else np.empty(0, int)
    return float(np.max(sign * strip.v_mm[face])) if len(face) else -np.inf


def _largest(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The largest connected part of a mask."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    if count < 2:
        return mask
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))


def _start(regions: Regions, core: slice, tip: int) -> int:
    """Column where the face begins along the core: before it head or collar, after it face."""
    shares = (regions.face, regions.body + regions.plastic)
    face, body = (np.log(np.maximum(share[core, : tip + 1], START_FLOOR)) for share in shares)
    odds = (face - body).mean(axis=0)
    return int(np.argmax(np.cumsum(odds[::-1])[::-1]))


def _robust_line(x: Array, y: Array) -> tuple[float, float]:
    """Slope of a line through points of which some are astray (Cauchy weights), and the points' scatter about it."""
    slope, level, scatter = 0.0, float(np.median(y)), 0.0
    for _ in range(LINE_ROUNDS):
        residual = y - level - slope * x
        scatter = 1.48 * float(np.median(np.abs(residual)))
        weight = 1 / (1 + (residual / (2 * max(scatter, LINE_SCATTER_MM))) ** 2)
        slope, level = np.polyfit(x, y, 1, w=np.sqrt(weight))
    return float(slope), scatter
