"""Valleys of a row of heights, as `scipy.signal.find_peaks` finds peaks: importing that takes half a second.

A valley is a place, or a level stretch, lower than both its neighbours.  Its depth is how far one has to climb from it
before a lower place is reached, on the side where that is less.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Indices = NDArray[np.intp]


def find_valleys(height: Array, depth: float, apart: int = 1) -> tuple[Indices, Array]:
    """Indices of valleys, ascending, and their depths.

    Parameters
    ----------
    height : ndarray, shape (n,)
        Finite.
    depth : float
        Shallower ones are left out.
    apart : int
        Of two that are nearer than that many samples the lower one is kept; this is decided before their depth.
    """
    kept = _thinned(height, _lowest(height), apart)
    depths = np.array([_depth(height, int(at)) for at in kept])
    deep = depths >= depth
    return kept[deep], depths[deep]


def _lowest(height: Array) -> Indices:
    """Middles of stretches that are lower than both neighbours."""
    first = np.flatnonzero(np.diff(height, prepend=np.nan) != 0)
    last = np.append(first[1:], len(height)) - 1
    level = height[first]
    inner = np.flatnonzero((level[1:-1] < level[:-2]) & (level[1:-1] < level[2:])) + 1
    return np.asarray((first[inner] + last[inner]) // 2)


def _thinned(height: Array, places: Indices, apart: int) -> Indices:
    """The places without those that are too near to a lower one that stays."""
    keep = np.ones(len(places), bool)
    for k in np.argsort(-height[places])[::-1]:  # of equal ones the last comes first, as in SciPy
        if keep[k]:
            near = np.abs(places - places[k]) < apart
            keep &= ~near
            keep[k] = True
    return places[keep]


def _depth(height: Array, at: int) -> float:
    """How far one has to climb from a place before a lower one, or the end, is reached."""
    lower = height < height[at]
    before, after = np.flatnonzero(lower[:at]), np.flatnonzero(lower[at:])
    start = int(before[-1]) + 1 if len(before) else 0
    stop = at + int(after[0]) if len(after) else len(height)
    return float(min(height[start : at + 1].max(), height[at:stop].max()) - height[at])
