"""The ends of the blade: the shoulder's step, and where the head begins."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.outlines.segmentation import ODDS_LIMIT, Regions
from keyid.outlines.strip import STEP_MM, Image, Strip, peak_position

Array = NDArray[np.float64]

BAND_MM = 0.5  # a step shows in two bands of that width, one beyond the other, at the same station: a flank doesn't
BAND_OFFSETS_MM = (0.3, 0.8, 1.3, 1.8)  # beyond the edge's lands, which cuts may have lowered
COLLAR_BEYOND_MM = 3.0  # beyond the blade's edge: past every collar, where only a head reaches
COLLAR_FAR_MM = 3.8
OUTERMOST_MM = 0.3  # of the strip, where it ends before that
COLLAR_LENGTH_MM = 2.2  # a collar is at least that long, else the step is the head's front
NEAR_MM = 0.4  # beside the step: past its blur
NEAR_START_MM = (-3.5, 7.0)  # from the start that the regions tell: a collar on one side only may pass for blade
EDGE_HALF = 0.02  # gradient per sample at which a step's edge counts half
PLAIN_FROM_MM, PLAIN_NEAR_MM = 0.8, 0.6  # a collar so far out, ending where the blade begins, needs no sharp edge
PLAIN_POWER = 2  # of what the regions tell of it: without an edge they must tell it the more clearly
LEVEL_MM, LEVEL_EDGE = 0.1, 0.2  # but one that shows at all, at one station: a curved head's front recedes outward
STEP_SCORE = 0.4  # from which a step is believed
EDGE_ROWS_PERCENTILE = 12  # so that seven rows in eight must show the step
FIRST_PART = 0.5  # of the best score: the one nearest to the bow that is so clear; nearer to the tip are only cuts
RIM_PART = 0.6  # of the sharper rim's edge: the other rim of the step's face
FEW_ROWS = 5
CLIMBS = 3  # times that a place is sought anew where the change is sharper still: a step's score is flat over 1 mm
RECEDES = -0.3  # stations per mm outward: round heads' fronts have -0.35 to -0.6, shoulders of 133 looks -0.26 to 0.2
RECEDES_MM = 0.55  # beside the step, where its edge is looked for row by row
STEP_U_MM = 0.025  # a step's place (from the development photos)
WALL_PART = 1.5  # of the wall as it is assumed: an edge no further tipward may be the step's lower rim
RIVAL_PART = 0.5  # standard uncertainty of the place as a part of the distance to another edge that it may be
PLASTIC_ROOM_MM = 1.0  # of plastic that must be seen behind its front
COLLAR_P = 0.7  # of collar, on average over the blade's core, where there is one
COLLAR_U_MM = 0.3  # the regions part collar and face so well (from the development photos)
FROM_TIP_MM = 5.0  # no shoulder is nearer to the tip
LEAST_P = 0.02  # probability below which regions aren't distinguished
CORE_PART = 0.25  # of the width, to both sides of the axis: always blade


@dataclass(frozen=True)
class Step:
    """A shoulder's step on one side.

    Attributes
    ----------
    s_mm : float
        Station of its flat face's upper rim.
    score : float
        How clearly it is seen, 0 to 1.
    u_mm : float
        Standard uncertainty of the place: more where several edges may be the rim.
    """

    s_mm: float
    score: float
    u_mm: float = STEP_U_MM


def find_step(
    strip: Strip, regions: Regions, sign: int, edge_mm: float, start_mm: float, wall_mm: float = 0.0
) -> Step | None:
    """The shoulder's step beside an edge; None where none shows.

    The edge lies ``edge_mm`` outward on the side ``sign``, and the blade begins near the station ``start_mm``.  The
    lower rim of the step's face is seen about ``wall_mm`` nearer to the tip than the upper one; not at all where that
    is negative.
    """
    metal = regions.metal_odds / ODDS_LIMIT
    out = strip.v_mm * sign
    beyond = out > min(edge_mm + COLLAR_BEYOND_MM, float(out.max()) - OUTERMOST_MM)
    beyond &= out < edge_mm + COLLAR_FAR_MM
    if beyond.sum() < FEW_ROWS:
        return None
    head = metal[beyond].mean(axis=0)
    from_start = strip.s_mm - start_mm
    score = np.zeros(len(strip.s_mm))
    sharp = np.zeros(len(strip.s_mm))
    bands = [(out > edge_mm + offset) & (out < edge_mm + offset + BAND_MM) for offset in BAND_OFFSETS_MM]
    bands = [band for band in bands if band.sum() >= FEW_ROWS]  # the strip may end before the outer ones
    edges = [_edge(strip.along[band]) for band in bands]
    changes = [_change(metal[band].mean(axis=0), head) for band in bands]
    for n in range(len(bands) - 1):
        both = np.sqrt(changes[n] * changes[n + 1])
        score = np.maximum(score, both * np.sqrt(edges[n] * edges[n + 1]))
        within = slice(max(n - 1, 0), n + 2)
        if BAND_OFFSETS_MM[n] >= PLAIN_FROM_MM and _is_level(edges[within], changes[within]):
            score = np.maximum(score, np.where(np.abs(from_start) < PLAIN_NEAR_MM, both**PLAIN_POWER, 0.0))
        sharp = np.maximum(sharp, edges[n] + edges[n + 1])
    score[(from_start < NEAR_START_MM[0]) | (from_start > NEAR_START_MM[1])] = 0.0
    if score.max() < STEP_SCORE:
        return None
    first = int(np.argmax(score > FIRST_PART * score.max()))
    near = round(NEAR_MM / STEP_MM)
    best = first + int(np.argmax(score[first : first + near]))
    place, u = _place(strip, sharp, best, wall_mm)
    rows = np.flatnonzero(np.any(bands, axis=0))
    if _slant(strip.along[rows], strip.s_mm - place, out[rows]) < RECEDES:
        return None
    return Step(place, float(score[best]), u)


def find_collar(strip: Strip, regions: Regions, middle_mm: float, width_mm: float, tip_mm: float) -> Step | None:
    """The shoulder of a collar that the regions tell between face and plastic head, though no edge of it shows.

    A plastic head's blade without a shoulder comes out of the plastic itself.
    """
    core = _core(strip, middle_mm, width_mm, tip_mm - FROM_TIP_MM)
    face, body, plastic = (share[core].mean(axis=0) for share in (regions.face, regions.body, regions.plastic))
    outside = np.flatnonzero(face < 0.5)
    first = int(outside[-1]) + 1 if len(outside) else 0
    collar = np.count_nonzero(body[:first] > COLLAR_P) * STEP_MM
    behind = np.count_nonzero(plastic[:first] > COLLAR_P) * STEP_MM
    if collar < COLLAR_LENGTH_MM or behind < PLASTIC_ROOM_MM:
        return None
    return Step(float(strip.s_mm[first]), STEP_SCORE, COLLAR_U_MM)


def _slant(along: Image, from_step: Array, out: Array) -> float:
    """By how many mm a step's edge lies nearer to the tip per mm outward: the median over pairs of rows (Theil, Sen).

    A shoulder is square to the blade, but for the slant of the photo; a round head's front recedes.
    """
    beside = np.abs(from_step) < RECEDES_MM
    weight = np.exp(-0.5 * (from_step[beside] / NEAR_MM) ** 2)
    steepest = np.argmax(np.linalg.norm(along[:, beside], axis=2) * weight, axis=1)
    one, two = np.triu_indices(len(out), FEW_ROWS)
    return float(np.median((steepest[two] - steepest[one]) * STEP_MM / (out[two] - out[one])))


def _is_level(edges: list[Array], changes: list[Array]) -> bool:
    """Whether all bands change at the same station, with some edge there."""
    at = [int(np.argmax(change)) for change in changes]
    near = round(NEAR_MM / STEP_MM)
    seen = min(float(edge[max(0, i - near) : i + near].max()) for edge, i in zip(edges, at, strict=True))
    return (max(at) - min(at)) * STEP_MM < LEVEL_MM and seen > LEVEL_EDGE


def _edge(along: Image) -> Array:
    """How sharp the change along the blade is in most rows of a band at once, for each column, 0 to 1.

    A flank crosses each row of the band at another column; a step crosses them all at one.
    """
    steep = np.percentile(np.linalg.norm(along, axis=2), EDGE_ROWS_PERCENTILE, axis=0)
    return np.asarray(steep / (steep + EDGE_HALF), float)


def _change(band: Array, head: Array) -> Array:
    """How clearly each column of a band parts face, with no head beyond it, from what isn't face; 0 to 1."""
    near, collar = round(NEAR_MM / STEP_MM), round(COLLAR_LENGTH_MM / STEP_MM)
    column = np.arange(collar, len(band) - near - 1)
    band_mean, head_mean = _following(band, near), _following(head, near)
    before = np.minimum(band_mean[column - collar], band_mean[column - 2 * near])
    after, reaches = band_mean[column + near], head_mean[column - collar]
    change = np.zeros(len(band))
    change[column] = np.clip(0.5 * (before - after), 0, 1) * np.clip(before - reaches, 0, 1)
    return change


def _following(values: Array, count: int) -> Array:
    """Mean of so many values from each on, of fewer at the end."""
    total = np.concatenate([[0.0], np.cumsum(values, dtype=float)])
    first = np.arange(len(values))
    last = np.minimum(first + count, len(values))
    return np.asarray((total[last] - total[first]) / (last - first))


def _place(strip: Strip, edge: Array, column: int, wall_mm: float) -> tuple[float, float]:
    """Station of the step near a column, and its standard uncertainty.

    Of the two rims of its face it is the one nearer to the bow, which is the upper.  Another edge as sharp that is not
    the lower rim makes the place unsure.
    """
    near = round(NEAR_MM / STEP_MM)
    for _ in range(CLIMBS):
        start = max(1, column - near)
        window = edge[start - 1 : column + near + 1]
        sharpest = start - 1 + int(np.argmax(window))
        if start <= sharpest < start + len(window) - 2:
            break
        column = sharpest
    peaks = (window[1:-1] >= window[:-2]) & (window[1:-1] >= window[2:]) & (window[1:-1] > RIM_PART * window.max())
    if not peaks.any():
        return float(strip.s_mm[sharpest]), NEAR_MM
    first = int(np.argmax(peaks))
    place = start - 1 + peak_position(window, first + 1)
    apart = (np.flatnonzero(peaks) - first) * STEP_MM
    rival = float(np.max(apart, where=apart > WALL_PART * max(wall_mm, 0.0), initial=0.0))
    return float(strip.s_mm[0] + place * STEP_MM), math.hypot(STEP_U_MM, RIVAL_PART * rival)


def _core(strip: Strip, middle_mm: float, width_mm: float, end_mm: float) -> tuple[NDArray[np.int64], slice]:
    """The samples about the blade's mid-line, up to a station: they show blade, collar or head and nothing else."""
    rows = np.flatnonzero(np.abs(strip.v_mm - middle_mm) < CORE_PART * width_mm)
    return rows, slice(int(np.searchsorted(strip.s_mm, end_mm)))


def find_plastic(strip: Strip, regions: Regions, middle_mm: float, width_mm: float, tip_mm: float) -> float | None:
    """Station of a plastic head's front on the blade's mid-line; None where hardly any of the head shows."""
    core = _core(strip, middle_mm, width_mm, tip_mm)
    metal, plastic = (
        np.log(np.maximum(share[core], LEAST_P)).mean(axis=0)
        for share in (regions.face + regions.body, regions.plastic)
    )
    gain = np.cumsum((metal - plastic)[::-1])[::-1]
    front = int(np.argmax(gain)) if len(gain) else 0
    return float(strip.s_mm[front]) if front * STEP_MM > PLASTIC_ROOM_MM else None
