"""Cuts found without knowing any profile: the places where an edge comes nearest to the opposite edge."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.length import Length
from keyid.valleys import find_valleys

Array = NDArray[np.float64]

DEPTH_MM = 0.15  # a cut is at least that much below both shoulders of its valley
NEXT_MM = 1.6  # roots of neighbouring cuts are at least that far apart (common practice, no source)
ROOT_BAND_MM = 0.06  # points that close to the lowest level belong to the root's flat
FLANK_MM = 0.2  # the flanks are measured that far from the root's level, where wear and burrs matter less
FLANK_PART = 0.6  # but not beyond that part of the lower peak beside the root: past it another cut begins
FALL_MM = 0.06  # a peak is past where the edge has fallen by more than its scatter
SHELF_MM = 0.32  # a shelf is level over at least that much
SHELF_SLOPE = 0.2  # a flat's slope, the camera's and the axis's errors in it; a flank has about 1
END_MM = 1.8  # no root lies nearer to the tip: the tip's own taper
HEAD_MM = 1.0  # nor nearer to the shoulder
BOW_MM = 3.0  # nor where the head may already hide the blade
FEW_POINTS = 10
LEAST_FLAT_MM = (
    0.6  # flats of flat keys are at least 0.5 mm (common practice, no source), and the flanks' starts count in
)
FLAT_SLACK_MM = 0.25  # flats of one key are seen as long as each other but for that
HIDDEN_PART = 0.15  # error of a root whose flat is hidden in part, per mm hidden (from the development photos)
UNSEEN_U_MM = 0.1  # of a root between points that were not seen
FREE_POSITION_U_MM = 0.02  # of the middle between two flanks
SHELF_POSITION_U_MM = 0.07  # of a shelf's: a deeper neighbour's flank ends it, not its own


@dataclass(frozen=True)
class Cut:
    """A cut found on an edge.

    Attributes
    ----------
    edge : str
        "a" or "b".
    position : Length
        Station of the root's centre, from the stop.
    root : Length
        Height of the root over the opposite edge's uncut line.
    flat_mm : float
        Length of the root's flat, as seen; 0 for a pointed root.
    """

    edge: Literal["a", "b"]
    position: Length
    root: Length
    flat_mm: float


def find_cuts(blade: Blade) -> tuple[Cut, ...]:
    """Find the cuts of the cut edges, edge a first, each in the order of position."""
    if blade.edges is None:
        return ()
    traces: list[tuple[Literal["a", "b"], EdgeTrace]] = [("a", blade.a)]
    if blade.edges == 2:
        traces.append(("b", blade.b))
    cuts = [cut for edge, trace in traces for cut in _cuts_of(edge, trace, blade)]
    usual = max([LEAST_FLAT_MM, float(np.median([cut.flat_mm for cut in cuts]))]) if cuts else LEAST_FLAT_MM
    return tuple(_seen_in_part(cut, usual - cut.flat_mm) for cut in cuts)


def _seen_in_part(cut: Cut, missing_mm: float) -> Cut:
    """The cut, less sure where its flat is shorter than this key's usual one: the rest is under another edge."""
    if missing_mm <= FLAT_SLACK_MM:
        return cut
    position = replace(cut.position, u_mm=math.hypot(cut.position.u_mm, missing_mm / 2))
    return replace(
        cut, position=position, root=replace(cut.root, u_mm=math.hypot(cut.root.u_mm, HIDDEN_PART * missing_mm))
    )


def _cuts_of(edge: Literal["a", "b"], trace: EdgeTrace, blade: Blade) -> list[Cut]:
    """Valleys and shelves of one edge."""
    seen = np.flatnonzero(np.isfinite(trace.height_mm))
    if len(seen) < FEW_POINTS:
        return []
    x = trace.x_mm
    height = np.interp(x, x[seen], trace.height_mm[seen])
    low, high = (HEAD_MM, END_MM) if blade.stop == "shoulder" else (END_MM, BOW_MM)
    inside = [
        i for i in _root_places(x, height, np.isfinite(trace.height_mm), blade.width.mm) if low < x[i] < x[-1] - high
    ]
    cuts = [_cut_at(edge, trace, height, i, blade) for i in inside]
    return [cut for cut in cuts if cut is not None]


def _root_places(x: Array, height: Array, seen: NDArray[np.bool_], width_mm: float) -> list[int]:
    """Indices of roots: valleys, and shelves where a cut merges with a deeper neighbour; ascending."""
    step = float(np.median(np.diff(x)))
    lowered = np.minimum(height, width_mm)
    places = [int(i) for i in find_valleys(lowered, DEPTH_MM, max(1, int(NEXT_MM / step)))[0]]
    half = max(1, round(SHELF_MM / 2 / step))
    level = np.zeros(len(x), bool)
    windows = np.lib.stride_tricks.sliding_window_view(height, 2 * half + 1)
    level[half:-half] = np.ptp(windows, axis=1) < SHELF_SLOPE * 2 * half * step
    level &= seen & (height < width_mm - DEPTH_MM)
    starts = np.flatnonzero(np.diff(np.concatenate([[0], level.astype(int)])) == 1)
    for start in starts:
        length = int(np.argmin(np.append(level[start:], False)))
        middle = int(start) + length // 2
        if all(abs(x[middle] - x[place]) > NEXT_MM for place in places):
            places.append(middle)
    return sorted(places)


def _cut_at(edge: Literal["a", "b"], trace: EdgeTrace, height: Array, index: int, blade: Blade) -> Cut | None:
    """Measure the cut whose root lies at a station."""
    x = trace.x_mm
    left, right = _band(height, index)
    root = float(np.median(height[left : right + 1]))
    lower_peak = min(_climb(height, end, root, step) for end, step in ((left, -1), (right, 1)))
    away = float(np.clip(FLANK_PART * lower_peak, ROOT_BAND_MM, FLANK_MM))
    sides = [_leaving(x, height, index, root, away, step) for step in (-1, 1)]
    if sides[0] is None or sides[1] is None:
        return None
    middle = 0.5 * (sides[0] + sides[1])
    u = trace.u_mm[left : right + 1]
    u = u[np.isfinite(u)]
    located = float(np.median(u)) if len(u) else UNSEEN_U_MM
    flat = float(x[right] - x[left])
    independent = max(1.0, flat / trace.correlation_mm)
    u_root = float(np.hypot(located / np.sqrt(independent), blade.height_common_u_mm))
    own_u = FREE_POSITION_U_MM if lower_peak > DEPTH_MM else SHELF_POSITION_U_MM
    u_position = math.hypot(own_u, blade.station_common_u_mm, blade.stretch_u * middle)
    return Cut(edge, Length(middle, u_position), Length(root, u_root), flat)


def _band(height: Array, index: int) -> tuple[int, int]:
    """First and last index around ``index`` that stay at its level."""
    left = right = index
    while left > 0 and abs(height[left - 1] - height[index]) < ROOT_BAND_MM:
        left -= 1
    while right < len(height) - 1 and abs(height[right + 1] - height[index]) < ROOT_BAND_MM:
        right += 1
    return left, right


def _climb(height: Array, index: int, root: float, step: int) -> float:
    """How far the edge climbs over a root's level, going in steps of +-1, before it falls again."""
    top = root
    for value in height[index::step]:
        if value < top - FALL_MM:
            break
        top = max(top, float(value))
    return top - root


def _leaving(x: Array, height: Array, index: int, root: float, away: float, step: int) -> float | None:
    """Station where the edge first is ``away`` from the root's level, up or down, going in steps of +-1."""
    i = index
    while 0 <= i + step < len(x):
        before, after = abs(height[i] - root), abs(height[i + step] - root)
        if after >= away > before:
            part = (away - before) / (after - before)
            return float(x[i] + part * (x[i + step] - x[i]))
        i += step
    return None
