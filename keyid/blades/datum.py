"""Datum lines of the blade: its axis, its uncut edges, and its foremost metal, from edge points some of which stray."""

from __future__ import annotations

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from keyid.outlines.outline import EdgePoints
from keyid.outlines.rims import CLEAR_U_MM, STRIDE
from keyid.outlines.strip import STEP_MM

Array = NDArray[np.float64]

STEP_LAND_MM = 0.32  # of land beside the shoulder: before the first cut's flank begins on almost every blade
STEP_LAND_FLAT_MM = 0.12  # its points differ by less, a rounded corner's blur among them; a flank climbs 0.3 mm
STEP_LAND_ABOVE_MM = 0.1  # so much above every other stretch: then cuts have taken all other lands away
PEAK_BELOW_MM = 1.5  # between two cuts more is left than that far below: flanks climb 45 degrees over half a spacing
FEW_POINTS = 20
CLEAR_SHARE = 0.3  # of the points: fewer don't stand for the edge
SLOPE_ROUNDS = 8
STRAY_MM = 0.01  # scatter of good points along a straight edge
LAND_POINTS = 7  # stations: 0.5 mm
LAND_END = 3  # stations at each end of the stretch whose levels are compared
LAND_FLAT_MM = 0.06  # a land climbs less than that over the stretch, a flank 0.3 mm
LAND_ROUGH_MM = 0.1  # a faint edge's scatter along a land; a path through shadow strays more
LAND_WINDOWS = 6  # together about 1 mm of lands: less may be a burr or a stretch of shadow
LAND_SAME_MM = 0.05
HIGHEST_PERCENTILE = 99  # of an edge without any land: above it points are astray
LAND_CLEARER_MM = 0.2  # a land's level in clear points against that in all: further apart they are not the same land
NEAR_COLLAR_MM = 1.5  # the path may come down from the collar over that much
ABOVE_LAND_MM = 0.15  # a burr or a stray point stands up less, or is shorter than
ABOVE_LAND_U = 3.0  # or may as well lie on the land; neighbouring points stray together, so that two are not enough
ABOVE_LAND_STATIONS = 12  # together 1 mm of edge: then cuts have taken the lands away, and what is flat is a root
TOP_POINTS = 3  # stations that agree on the highest metal left between cuts
PATCH_STEP_MM = 0.12  # of neighbouring points of a tip: 58 degrees against its front, steeper than tips are ground
PATCH_POINTS = 10  # 0.75 mm: a wider front is metal
LINE_U_MM = 0.015  # a fitted edge line's place: sharpening and shade move a whole edge (from the development photos)
POINT_MM = STRIDE * STEP_MM  # distance of an outline's points
RAGGED_MM = 1.0  # along a ragged edge, over which its errors go together: paths through noise stray about so long
LAND_U_MM = 0.04  # a millimetre of what cuts left of an edge (from the development photos)
HARD_TO_TELL_U = 2.0  # standard uncertainties: the limits of a land's level
NO_LAND_U_MM = 0.4  # neighbouring cuts' flanks meet that far below the uncut line (RMS of 21 such in 700 keys made)


def within(points: EdgePoints, start_mm: float, end_mm: float) -> NDArray[np.int64]:
    """Indices of seen points between two stations."""
    seen = np.isfinite(points.u_mm) & np.isfinite(points.v_mm)
    return np.flatnonzero(seen & (points.s_mm > start_mm) & (points.s_mm < end_mm))


def clear(u_mm: Array, least_share: float = 0.0) -> NDArray[np.bool_]:
    """Which points' rim is clearly told, where they are enough to go by and make up such a share; else all."""
    told = u_mm < CLEAR_U_MM
    enough = np.count_nonzero(told) > max(FEW_POINTS, least_share * len(u_mm))
    return np.asarray(told) if enough else np.ones(len(u_mm), bool)


def clear_within(points: EdgePoints, start_mm: float, end_mm: float) -> NDArray[np.int64]:
    """Indices of clearly told points between two stations that an edge's line is taken from."""
    inside = within(points, start_mm, end_mm)
    return inside[clear(points.u_mm[inside], CLEAR_SHARE)]


def uncut_line(across: Array, u_mm: Array) -> tuple[float, float]:
    """Place of an uncut edge across the blade (mm), with its u: more where it was seen ragged, hardly unlike the table.

    It is the median of its points, each counted by how surely it is told: of a path that runs now along the rim, now
    along its wall's foot, the former is surer, for the wall is seen beyond it.  The line is no surer than its points,
    which may all have been taken from the same wrong edge.
    """
    middle = _weighted_median(across, 1 / u_mm)
    spread = 1.4826 * float(np.median(np.abs(across - middle)))
    ragged_u = 1.2533 * spread / math.sqrt(max(len(across) * POINT_MM / RAGGED_MM, 1.0))
    return middle, max(math.hypot(LINE_U_MM, ragged_u), float(np.median(u_mm)))


def _weighted_median(values: Array, weight: Array) -> float:
    """Value that half of the weight lies on either side of."""
    order = np.argsort(values)
    half = np.cumsum(weight[order]) - 0.5 * weight[order]
    return float(np.interp(0.5 * weight.sum(), half, values[order]))


def robust_slope(x: Array, y: Array) -> float:
    """Slope of a line through points of which some are astray (iteratively reweighted, Cauchy weights)."""
    if len(x) < FEW_POINTS:
        return 0.0
    weight = np.ones(len(x))
    slope, level = 0.0, float(np.median(y))
    for _ in range(SLOPE_ROUNDS):
        residual = y - level - slope * x
        scale = max(1.48 * float(np.median(np.abs(residual - np.median(residual)))), STRAY_MM)
        weight = 1 / (1 + (residual / (2 * scale)) ** 2)
        slope, level = np.polyfit(x, y, 1, w=np.sqrt(weight))
    return float(slope)


def land_line(across: Array, u_mm: Array, from_stop: Array) -> tuple[float, float]:
    """Level (mm) of the uncut lands of a cut edge whose points lie so far ``from_stop``, with its standard uncertainty.

    It is the highest at which enough of the edge runs straight along the blade, or that of the stretch beside the
    shoulder where this is still higher: cuts may have taken all other lands away.  Where they took that one too, the
    highest metal left is the best that can be told, be it between two cuts or where the first one's flank begins.
    Lands that are hard to tell may be a wall's foot: a clear stretch beside the shoulder within their limits is surer.
    """
    land, surer = _common_level(across), _common_level(across[clear(u_mm)])
    if land is None:
        land = float(np.percentile(across, HIGHEST_PERCENTILE))
    elif surer is not None and abs(surer - land) < LAND_CLEARER_MM:
        land = surer
    u = _land_u(u_mm[np.abs(across - land) < LAND_SAME_MM])
    told = (u_mm < CLEAR_U_MM) | (u > CLEAR_U_MM)  # of a land that is itself hard to tell, all points tell
    far = told & (from_stop > NEAR_COLLAR_MM)
    away = across[far]
    top = foremost(away, np.zeros(len(away)), TOP_POINTS)[0] if len(away) else land
    near = (from_stop >= 0) & (from_stop < STEP_LAND_MM)
    beside, beside_u = (float(np.median(values[near])) if near.any() else np.inf for values in (across, u_mm))
    stands_out = land + STEP_LAND_ABOVE_MM < beside < top + PEAK_BELOW_MM
    surer_there = land - HARD_TO_TELL_U * u < beside < land and beside_u < min(u, CLEAR_U_MM)
    if (stands_out or surer_there) and beside_u < NO_LAND_U_MM and np.ptp(across[near]) < STEP_LAND_FLAT_MM:
        return beside, max(LAND_U_MM, beside_u)
    above = away - land > np.maximum(ABOVE_LAND_MM, ABOVE_LAND_U * u_mm[far])
    if np.count_nonzero(above) >= ABOVE_LAND_STATIONS:
        flank = beside if beside_u < CLEAR_U_MM and beside < top + PEAK_BELOW_MM else top
        return max(top, flank), NO_LAND_U_MM
    return land, u


def _land_u(u_mm: Array) -> float:
    """Standard uncertainty of a level from the points that lie on it: less sure the less of the edge they are."""
    if len(u_mm) == 0:
        return LAND_U_MM
    ragged = LAND_U_MM / math.sqrt(len(u_mm) * POINT_MM / RAGGED_MM)
    return max(math.hypot(LINE_U_MM, ragged), float(np.median(u_mm)))


def _common_level(across: Array) -> float | None:
    """The highest level at which enough of an edge runs straight along the blade; None where none of it does."""
    if len(across) < LAND_POINTS:
        return None
    windows = sliding_window_view(across, LAND_POINTS)
    climb = np.abs(windows[:, -LAND_END:].mean(axis=1) - windows[:, :LAND_END].mean(axis=1))
    flat = (climb < LAND_FLAT_MM) & (np.ptp(windows, axis=1) < LAND_ROUGH_MM)
    levels = np.sort(np.median(windows, axis=1)[flat])[::-1]
    for least in (LAND_WINDOWS, 1):
        for top in levels:
            same = levels[(levels <= top) & (levels > top - LAND_SAME_MM)]
            if len(same) >= least:
                return float(np.median(same))
    return None


def on_one_edge(along: Array) -> NDArray[np.int64]:
    """Indices of a tip's points without patches that stand out by a step on both sides while the front goes on there.

    Metal so narrow would be a nib, which no tip has: such points lie on a shadow's edge or on print.
    """
    kept = np.arange(len(along))
    while (patch := _foremost_patch(along[kept])) is not None:
        kept = np.delete(kept, patch)
    return kept


def _foremost_patch(along: Array) -> slice | None:
    """The stretch that the foremost point is on, where it is a patch on another edge."""
    if len(along) <= PATCH_POINTS:
        return None
    top = int(np.argmax(along))
    step = np.abs(np.diff(along)) > PATCH_STEP_MM
    before, after = np.flatnonzero(step[:top]), np.flatnonzero(step[top:]) + top
    if len(before) == 0 or len(after) == 0:
        return None
    first, past = int(before[-1]) + 1, int(after[0]) + 1
    goes_on = first >= 2 and past <= len(along) - 2 and not step[first - 2] and not step[past]
    return slice(first, past) if goes_on and past - first <= PATCH_POINTS else None


def foremost(along: Array, u_mm: Array, count: int) -> tuple[float, float]:
    """The foremost metal of a tip or an edge: the greatest value that several neighbouring points share, and its u."""
    if len(along) < count:
        first = int(np.argmax(along))
        return float(along[first]), float(u_mm[first])
    shared = np.median(sliding_window_view(along, count), axis=1)
    first = int(np.argmax(shared))
    return float(shared[first]), float(np.median(u_mm[first : first + count]))
