"""Cuts found without knowing any profile: the places where an edge comes nearest to the opposite edge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import find_peaks

from keyid.blade import Blade, EdgeTrace
from keyid.length import Length

Array = NDArray[np.float64]

DEPTH_MM = 0.15  # a cut is at least that much below both shoulders of its valley
NEXT_MM = 1.6  # roots of neighbouring cuts are at least that far apart (common practice, no source)
ROOT_BAND_MM = 0.06  # points that close to the lowest level belong to the root's flat
FLANK_UP_MM = 0.2  # the flanks are measured that far above the root, where wear and burrs matter less
END_MM = 1.8  # no root lies nearer to the tip: the tip's own taper
STOP_MM = 1.0  # nor nearer to the shoulder
FREE_POSITION_U_MM = 0.02  # of the middle between two flanks


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
    return tuple(cut for edge, trace in traces for cut in _cuts_of(edge, trace, blade))


def _cuts_of(edge: Literal["a", "b"], trace: EdgeTrace, blade: Blade) -> list[Cut]:
    """Valleys of one edge."""
    seen = np.flatnonzero(np.isfinite(trace.height_mm))
    if len(seen) < 10:
        return []
    x = trace.x_mm
    height = np.interp(x, x[seen], trace.height_mm[seen])
    step = float(np.median(np.diff(x)))
    low = STOP_MM if blade.stop != "tip" else END_MM
    high = x[-1] - (END_MM if blade.stop != "tip" else STOP_MM)
    lowered = np.minimum(height, blade.width.mm)
    valleys, _ = find_peaks(-lowered, prominence=DEPTH_MM, distance=max(1, int(NEXT_MM / step)))
    cuts = [_cut_at(edge, trace, height, int(i), blade) for i in valleys if low < x[i] < high]
    return [cut for cut in cuts if cut is not None]


def _cut_at(edge: Literal["a", "b"], trace: EdgeTrace, height: Array, index: int, blade: Blade) -> Cut | None:
    """Measure the cut whose lowest station is given."""
    x = trace.x_mm
    left, right = _band(height, index, height[index] + ROOT_BAND_MM)
    root = float(np.median(height[left : right + 1]))
    sides = [_crossing(x, height, index, root + FLANK_UP_MM, step) for step in (-1, 1)]
    if sides[0] is None or sides[1] is None:
        return None
    middle = 0.5 * (sides[0] + sides[1])
    u = trace.u_mm[left : right + 1]
    u = u[np.isfinite(u)]
    located = float(np.median(u)) if len(u) else 0.1
    flat = float(x[right] - x[left])
    independent = max(1.0, flat / trace.correlation_mm)
    u_root = float(np.hypot(located / np.sqrt(independent), blade.height_common_u_mm))
    u_position = float(np.sqrt(FREE_POSITION_U_MM**2 + blade.station_common_u_mm**2 + (blade.stretch_u * middle) ** 2))
    return Cut(edge, Length(middle, u_position), Length(root, u_root), flat)


def _band(height: Array, index: int, level: float) -> tuple[int, int]:
    """First and last index around ``index`` that stay below a level."""
    left = right = index
    while left > 0 and height[left - 1] < level:
        left -= 1
    while right < len(height) - 1 and height[right + 1] < level:
        right += 1
    return left, right


def _crossing(x: Array, height: Array, index: int, level: float, step: int) -> float | None:
    """Station where the edge first climbs through a level, going from ``index`` in steps of +-1."""
    i = index
    while 0 <= i + step < len(x):
        if height[i + step] >= level > height[i]:
            part = (level - height[i]) / (height[i + step] - height[i])
            return float(x[i] + part * (x[i + step] - x[i]))
        i += step
    return None
