"""A peer to compare with: what a competent user would build in an afternoon, flat geometry and no uncertainty.

    python tests/benchmarks/peer.py SET_DIR            # finds card and key by itself
    python tests/benchmarks/peer.py SET_DIR --crop     # is shown roughly where card and key lie
    python tests/benchmarks/peer.py SET_DIR --exact    # is given the true card corners and the true key outline

SET_DIR holds NAME.jpg with NAME.json (the truth); only photos with a card and one key count.  The recipe: grey, Otsu
mask; the card is the contour with the right side ratio, the key the largest other one; both outlines are taken at half
height of the grey levels; the card's sides are fitted by lines whose crossings give a homography to millimetres on the
card's face; the key's axis is its blade's smallest enclosing rectangle; the height of each column is smoothed, and each
minimum is a cut.  The peer is told where the key stops and how many edges are cut.  With --exact what is left is the
cost of flat geometry alone: height over the card, thickness, and which rim is seen.

Its constants are round numbers from the recipe or from what keys look like, not fitted to any photo; after the first
run only how the blade's end and its uncut width are found was put right.  It uses none of the package's code.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks, savgol_filter
from skimage.measure import find_contours

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

CARD_MM = (85.60, 53.98)  # ISO/IEC 7810, ID-1
CARD_RATIO_TOLERANCE = 0.10
CARD_FILL = 0.85  # least share of its enclosing rectangle that a card's contour fills
CARD_LEAST_SHARE = 0.01  # least share of the photo that a card covers
SIDE_SHARE = 0.70  # the middle part of each side that its line is fitted to
KERNEL_PX = 5  # blur, opening and closing
COLUMN_MM = 0.05  # distance of the columns
SMOOTH_COLUMNS, SMOOTH_ORDER = 15, 2  # Savitzky-Golay
PROMINENCE_MM = 0.10  # of a cut in the column heights
TIP_PART_MM = 9.0  # the blade is longer than that
WIDEST_SHARE = 0.05  # the uncut width is the median of that share of the columns, the widest
SHOULDER_RISE_MM, SHOULDER_RUN_MM = 1.0, 0.3  # the blade ends where it widens by that much over that length
CROP_SHARE = 0.10  # a rough crop is that much larger than what it shows, on each side
MATCH_MM = 0.6  # a cut within that distance of a true one is that one, as the common score of these photos has it
SHALLOW_MM = 0.2  # shallower cuts may be missed
GROUPS = ("good", "ordinary", "hard", "all")


class PeerFailedError(Exception):
    """The peer found no card, no key, or no blade."""


@dataclass(frozen=True)
class PeerReading:
    """What the peer measured, in mm: cuts are (position, root) of all edges."""

    length: float
    width: float
    cuts: list[tuple[float, float]]


# --- what is seen ---------------------------------------------------------------------------------------------------


def object_contours(grey: Mask) -> list[NDArray[np.int32]]:
    """Outer contours of all that differs from the table, largest first."""
    _, mask = cv2.threshold(cv2.GaussianBlur(grey, (KERNEL_PX, KERNEL_PX), 0), 0, 255, cv2.THRESH_OTSU)
    border = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    mask = cv2.bitwise_not(mask) if border.mean() > 127 else mask
    kernel = np.ones((KERNEL_PX, KERNEL_PX), np.uint8)
    mask = cv2.morphologyEx(cv2.morphologyEx(mask, cv2.MORPH_OPEN, kernel), cv2.MORPH_CLOSE, kernel)
    contours = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    shapes = [np.asarray(contour, dtype=np.int32).reshape(-1, 2) for contour in contours]
    return sorted(shapes, key=cv2.contourArea, reverse=True)


def is_card(contour: NDArray[np.int32], photo_area: float) -> bool:
    """Whether a contour has a card's side ratio and fills its rectangle."""
    area = cv2.contourArea(contour)
    if area < CARD_LEAST_SHARE * photo_area:
        return False
    sides = sorted(cv2.minAreaRect(contour)[1])
    ratio = sides[1] / sides[0] / (CARD_MM[0] / CARD_MM[1])
    return abs(ratio - 1) <= CARD_RATIO_TOLERANCE and area >= CARD_FILL * sides[0] * sides[1]


def find_objects(grey: Mask) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Contours of card and key."""
    contours = object_contours(grey)
    cards = [i for i, contour in enumerate(contours) if is_card(contour, float(grey.size))]
    if not cards:
        raise PeerFailedError("no card")
    others = [contour for i, contour in enumerate(contours) if i != cards[0]]
    if not others:
        raise PeerFailedError("no key")
    return contours[cards[0]], others[0]


def largest_in(grey: Mask, around_px: Array) -> NDArray[np.int32]:
    """The largest contour in a rough crop around some points."""
    spare = CROP_SHARE * np.ptp(around_px, axis=0)
    low = np.maximum(around_px.min(axis=0) - spare, 0).astype(np.int32)
    high = (around_px.max(axis=0) + spare).astype(np.int32)
    contours = object_contours(grey[low[1] : high[1], low[0] : high[0]])
    if not contours:
        raise PeerFailedError("nothing in the crop")
    return np.asarray(contours[0] + low, dtype=np.int32)


def half_height_outline(grey: Mask, contour: NDArray[np.int32]) -> Array:
    """Sub-pixel outline (x, y) around a whole-pixel contour, half-way between the grey levels of its two sides."""
    low = np.maximum(contour.min(axis=0) - 20, 0)
    high = contour.max(axis=0) + 21
    part = grey[low[1] : high[1], low[0] : high[0]]
    mask = np.zeros(part.shape, np.uint8)
    cv2.fillPoly(mask, [contour - low], 255)
    kernel = np.ones((9, 9), np.uint8)
    inside, around = cv2.erode(mask, kernel) > 0, (cv2.dilate(mask, np.ones((31, 31), np.uint8)) > 0)
    beside = around & ~(cv2.dilate(mask, kernel) > 0)
    if not inside.any() or not beside.any():
        raise PeerFailedError("outline too small")
    level = (np.median(part[inside]) + np.median(part[beside])) / 2
    found: list[Array] = find_contours(part.astype(np.float64), float(level))
    if not found:
        raise PeerFailedError("no outline")
    return np.asarray(max(found, key=len)[:, ::-1] + low)


def fitted_corners(outline: Array) -> Array:
    """Virtual corners (4, 2) of the card: crossings of lines fitted to the middle of its sides."""
    box = cv2.boxPoints(cv2.minAreaRect(outline.astype(np.float32))).astype(np.float64)
    lines = [fitted_side(outline, box[i], box[(i + 1) % 4]) for i in range(4)]
    return np.array([crossing(lines[i - 1], lines[i]) for i in range(4)])


def fitted_side(outline: Array, start: Array, end: Array) -> Array:
    """Robust line (direction, point) through the outline's points along one side."""
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    station = (outline - start) @ along / length
    distance = np.abs((outline - start) @ [-along[1], along[0]])
    near = (np.abs(station - 0.5) < SIDE_SHARE / 2) & (distance < 0.08 * length)
    if near.sum() < 20:
        raise PeerFailedError("a card side is hidden")
    line = cv2.fitLine(outline[near].astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01)
    return np.asarray(line, dtype=np.float64).ravel()


def crossing(one: Array, two: Array) -> Array:
    """Where two lines (direction x, y, point x, y) cross."""
    ahead = np.linalg.solve(np.column_stack([one[:2], -two[:2]]), two[2:] - one[2:])
    return np.asarray(one[2:] + ahead[0] * one[:2])


# --- what is measured -----------------------------------------------------------------------------------------------


def to_mm(outline_px: Array, corners_px: Array) -> Array:
    """Outline on the plane of the card's face, in mm, not mirrored."""
    sides = np.linalg.norm(np.roll(corners_px, -1, axis=0) - corners_px, axis=1)
    corners = corners_px if sides[0] + sides[2] > sides[1] + sides[3] else np.roll(corners_px, -1, axis=0)
    turn = np.cross(np.append(corners[1] - corners[0], 0), np.append(corners[3] - corners[0], 0))[2]
    plane = np.array([[0, 0], [CARD_MM[0], 0], CARD_MM, [0, CARD_MM[1]]]) * [1, np.sign(turn)]
    matrix = cv2.getPerspectiveTransform(corners.astype(np.float32), plane.astype(np.float32))
    flat = cv2.perspectiveTransform(outline_px.reshape(-1, 1, 2), matrix)
    return np.asarray(flat, dtype=np.float64).reshape(-1, 2)


def measure(outline_mm: Array, stop: str, edges: int | None) -> PeerReading:
    """Length, width and cuts of a key's outline."""
    outline = along_axis(outline_mm, outline_mm)
    for _ in range(2):  # from the whole key's axis to the blade's own
        outline = along_axis(outline, outline[outline[:, 0] > blade_end(outline)])
    back, tip = blade_end(outline), float(outline[:, 0].max())
    x = np.arange(back + COLUMN_MM, tip - COLUMN_MM, COLUMN_MM)
    low, high = columns(outline, x)
    if edges == 2:
        datum_low, datum_high = uncut_line(-low), uncut_line(high)
        heights, width = [high + datum_low, datum_high - low], datum_high + datum_low
    else:
        heights, width = [high - low], uncut_line(high - low)
    origin, sign = (back, 1.0) if stop == "shoulder" else (tip, -1.0)
    cuts = [(sign * (x[i] - origin), float(h[i])) for h in map(smoothed, heights) for i in minima(h)]
    return PeerReading(tip - back, float(width), cuts if edges else [])


def along_axis(outline: Array, part: Array) -> Array:
    """The outline turned so that the smallest rectangle around ``part`` has its long side along x, tip at great x."""
    if len(part) < 20:
        raise PeerFailedError("no blade")
    box = cv2.boxPoints(cv2.minAreaRect(part.astype(np.float32))).astype(np.float64)
    x, y = max([box[1] - box[0], box[2] - box[1]], key=lambda side: float(np.linalg.norm(side)))
    c, s = np.array([x, y]) / np.hypot(x, y)
    turned = outline @ np.array([[c, -s], [s, c]])
    return np.asarray(-turned if head_is_right(turned) else turned)


def head_is_right(outline: Array) -> bool:
    """Whether the wider end is the one at great x."""
    x = np.linspace(outline[:, 0].min() + 1, outline[:, 0].max() - 1, 60)
    low, high = columns(outline, x)
    return bool(np.nanmean((high - low)[40:]) > np.nanmean((high - low)[:20]))


def columns(outline: Array, x: Array) -> tuple[Array, Array]:
    """Lowest and highest crossing of the outline with each column."""
    after = np.roll(outline, -1, axis=0)
    low, high = np.full(len(x), np.inf), np.full(len(x), -np.inf)
    for a, b in zip(outline, after, strict=True):
        first, last = np.searchsorted(x, sorted((a[0], b[0])))
        if last > first:
            y = a[1] + (x[first:last] - a[0]) / (b[0] - a[0]) * (b[1] - a[1])
            low[first:last], high[first:last] = np.minimum(low[first:last], y), np.maximum(high[first:last], y)
    if not np.all(np.isfinite(low)):
        raise PeerFailedError("outline has gaps")
    return low, high


def blade_end(outline: Array) -> float:
    """Where, coming from the tip, the blade widens into collar or head."""
    tip = float(outline[:, 0].max())
    x = np.arange(float(outline[:, 0].min()) + COLUMN_MM, tip - COLUMN_MM, COLUMN_MM)
    low, high = columns(outline, x)
    run = round(SHOULDER_RUN_MM / COLUMN_MM)
    rise = (high - low)[:-run] - (high - low)[run:]
    wide = np.nonzero((rise > SHOULDER_RISE_MM) & (x[run:] < tip - TIP_PART_MM))[0]
    if not len(wide):
        raise PeerFailedError("no shoulder or head")
    return float(x[wide[-1]] + SHOULDER_RUN_MM / 2)


def uncut_line(heights: Array) -> float:
    """Median of the greatest ones."""
    return float(np.median(heights[heights >= np.quantile(heights, 1 - WIDEST_SHARE)]))


def smoothed(heights: Array) -> Array:
    """Savitzky-Golay filtered."""
    return np.asarray(savgol_filter(heights, SMOOTH_COLUMNS, SMOOTH_ORDER))


def minima(heights: Array) -> NDArray[np.int64]:
    """Columns of the cuts."""
    return np.asarray(find_peaks(-heights, prominence=PROMINENCE_MM)[0])


# --- against the truth ----------------------------------------------------------------------------------------------


def true_shapes(truth: dict[str, Any]) -> tuple[Array, Array]:
    """The card's corners and the key's outline in pixels."""
    outlines = [np.array(p, dtype=np.float64) for p in truth["detail"]["key"]["silhouette_px_upright"]]
    outline = max(outlines, key=lambda polygon: cv2.contourArea(polygon.astype(np.float32)))
    return np.array(truth["detail"]["reference"]["outer_corner_px"], dtype=np.float64), outline


def read_photo(path: Path, truth: dict[str, Any], help_given: str) -> PeerReading:
    """The peer's reading of one photo, with the help "none", "crop" or "exact"."""
    corners, outline = true_shapes(truth)
    if help_given != "exact":
        grey = np.asarray(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), dtype=np.uint8)
        cropped = help_given == "crop"
        card, key = (largest_in(grey, corners), largest_in(grey, outline)) if cropped else find_objects(grey)
        if not is_card(card, float(grey.size)):
            raise PeerFailedError("no card")
        corners, outline = fitted_corners(half_height_outline(grey, card)), half_height_outline(grey, key)
    return measure(to_mm(outline, corners), truth["stop"], None if truth["uncut"] else truth["edges"])


def cut_pairs(truth: dict[str, Any]) -> list[tuple[float, float]]:
    """Position and root of every cut, edge by edge."""
    return [(x, root) for cut in truth["cuts"] if not cut["full_height"] for x, root in cut["edges"]]


@dataclass
class Errors:
    """Errors in mm of one group of photos, and what was missed."""

    photos: int = 0
    failed: int = 0
    cuts: int = 0
    found: int = 0
    false: int = 0

    def __post_init__(self) -> None:
        self.mm: dict[str, list[float]] = {"root": [], "position": [], "width": [], "length": []}

    def add(self, reading: PeerReading, truth: dict[str, Any]) -> None:
        """Count one reading."""
        self.mm["width"].append(reading.width - truth["width_mm"])
        if truth.get("length_mm") is not None:
            self.mm["length"].append(reading.length - truth["length_mm"])
        free = cut_pairs(truth)
        for position, root in reading.cuts:
            near = [pair for pair in free if abs(pair[0] - position) < MATCH_MM]
            if not near:
                self.false += 1
                continue
            true = min(near, key=lambda pair: abs(pair[0] - position) + abs(pair[1] - root))
            free.remove(true)
            if true[1] < truth["width_mm"] - SHALLOW_MM:
                self.found += 1
                self.mm["position"].append(position - true[0])
                self.mm["root"].append(root - true[1])

    def rows(self) -> dict[str, str]:
        """The group's figures, worded."""
        told = {"photos": str(self.photos), "failed": str(self.failed)}
        told["cuts found"] = f"{self.found} of {self.cuts}"
        told["cuts false"] = str(self.false)
        for name, errors in self.mm.items():
            size = np.abs(errors)
            for what, value in (
                ("RMS", math.sqrt(np.mean(size**2)) if errors else math.nan),
                ("bias", np.mean(errors) if errors else math.nan),
                ("median", np.median(size) if errors else math.nan),
                ("95th", np.quantile(size, 0.95) if errors else math.nan),
            ):
                told[f"{name} {what} mm"] = f"{value:.3f}"
        return told


def run(folder: Path, help_given: str) -> tuple[dict[str, Errors], list[str]]:
    """The peer on every card photo of a set with one key."""
    groups = {name: Errors() for name in GROUPS}
    notes = []
    for path in sorted(folder.glob("*.json")):
        truth = json.loads(path.read_text())
        if "card" not in truth.get("tags", ()) or truth.get("expected_error") or truth.get("width_mm") is None:
            continue
        tallies = (groups[truth["group"]], groups["all"])
        for tally in tallies:
            tally.photos += 1
            tally.cuts += sum(root < truth["width_mm"] - SHALLOW_MM for _, root in cut_pairs(truth))
        try:
            reading = read_photo(path.parent / truth["image"], truth, help_given)
        except PeerFailedError as error:
            notes.append(f"{path.stem}: {error}")
            for tally in tallies:
                tally.failed += 1
            continue
        for tally in tallies:
            tally.add(reading, truth)
    return groups, notes


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("set_dir", type=Path)
    helps = parser.add_mutually_exclusive_group()
    helps.add_argument("--crop", action="store_true", help="show the peer roughly where card and key lie")
    helps.add_argument("--exact", action="store_true", help="give the peer the true corners and the true outline")
    given = parser.parse_args()
    groups, notes = run(given.set_dir, "exact" if given.exact else "crop" if given.crop else "none")
    columns_told = {name: errors.rows() for name, errors in groups.items()}
    print(f"{'':20s}" + "".join(f"{name:>14s}" for name in GROUPS))
    for row in columns_told["all"]:
        print(f"{row:20s}" + "".join(f"{columns_told[name][row]:>14s}" for name in GROUPS))
    print("\n".join(notes))


if __name__ == "__main__":
    main()
