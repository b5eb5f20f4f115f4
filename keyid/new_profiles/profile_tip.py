"""The outline of a blade's tip, as a short chain of points: from where one edge leaves its uncut line to the other."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.blades.blade_plan import TIP_TAPER_MM

Array = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]

REACH_MM = 2 * TIP_TAPER_MM  # a rounded tip narrows over half the width, a slanted one over little more
LEAVES_MM = 0.08  # an edge that is that far inside its uncut line has left it
NOTCH_POINTS = 11  # of the tip's rim, about 0.9 mm
SMOOTH_MM = 0.06  # points nearer to the chain than that are left out: about the uncertainty of each


def tip_outline(blade: Blade) -> Points:
    """Return the tip's outline from edge a to edge b: station from the stop, height above edge b's uncut line, mm.

    Empty where the tip was not seen.
    """
    if len(blade.tip) == 0:
        return ()
    width = blade.width.mm
    upper = _narrowing(blade, blade.a)
    lower = _narrowing(blade, blade.b)[::-1] * [1.0, -1.0] + [0.0, width]
    between = lower[:1, 1].max(initial=0.0), upper[-1:, 1].min(initial=width)
    chain = np.concatenate([upper, _front(blade, *between), lower])
    chain[:, 1] = np.clip(chain[:, 1], 0.0, width)
    if blade.length is not None and blade.stop == "shoulder":
        chain[:, 0] = np.minimum(chain[:, 0], blade.length.mm)
    short = cv2.approxPolyDP(chain.astype(np.float32).reshape(-1, 1, 2), SMOOTH_MM, closed=False).reshape(-1, 2)
    return tuple((max(float(x), 0.0), float(y)) for x, y in short)


def _front(blade: Blade, low_mm: float, high_mm: float) -> Array:
    """The tip's rim between two heights, from the upper one down; grooves and burrs that notch it are bridged."""
    rim = blade.tip[np.argsort(-blade.tip[:, 1])]
    if len(rim) >= NOTCH_POINTS:
        around = np.pad(rim[:, 0], NOTCH_POINTS // 2, mode="edge")
        rim[:, 0] = np.median(np.lib.stride_tricks.sliding_window_view(around, NOTCH_POINTS), axis=1)
    return rim[(rim[:, 1] > low_mm) & (rim[:, 1] < high_mm)]


def _narrowing(blade: Blade, edge: EdgeTrace) -> Array:
    """Points of an edge from where it leaves its uncut line toward the tip; heights as in the trace."""
    back = _from_tip(blade, edge.x_mm)
    near = np.flatnonzero(np.isfinite(edge.height_mm) & (back < REACH_MM))
    near = near[np.argsort(-back[near])]  # toward the tip
    whole = np.flatnonzero(edge.height_mm[near] > blade.width.mm - LEAVES_MM)
    kept = near[whole[-1] :] if len(whole) else near
    points = np.column_stack([edge.x_mm[kept], edge.height_mm[kept]])
    if len(whole):
        points[0, 1] = blade.width.mm
    return points


def _from_tip(blade: Blade, x_mm: Array) -> Array:
    """Distance from the foremost metal of stations."""
    foremost = 0.0 if blade.stop == "tip" or blade.length is None else blade.length.mm
    return np.abs(x_mm - foremost)
