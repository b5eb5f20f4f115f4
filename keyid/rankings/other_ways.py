"""Other ways to take the measured edges: what the measuring stages may have mistaken, with how likely each is.

The uncut line may have been taken along a root's flat, and a path along a scratch for a second cut edge.  Each is a
blade of its own, measured anew from the same traces; ranking weighs all of them.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.length import Length
from keyid.rankings.evidence import STATION_MM, Samples, samples_of

Array = NDArray[np.float64]

OTHER_LEVEL_P = 0.03  # share of widths measured between wrong lines
OTHER_EDGES_P = 0.03  # share of one-edged keys that are seen cut on both edges
LEVEL_APART_MM = 0.15  # a level that differs by less from the measured width is the same
LEVEL_NEAR_MM = 0.06  # an uncut edge stays that near to its level
LEVEL_SEEN_MM = 1.0  # and runs there over that much at least
LEVEL_U_MM = 0.06  # of a level found that way
STRAIGHT_MM = 0.04  # stations of an uncut edge that near to its line are on it
STRAIGHT_SHARE = 0.5  # of an uncut edge at least is on its line
ROUNDS = 6

Way = tuple[Blade, float]
"""A blade and the log of its probability."""


def ways_to_take(blade: Blade) -> tuple[Way, ...]:
    """Return the blade as measured and the other ways to take it that its traces allow."""
    if blade.edges is None:
        return ((blade, 0.0),)
    ways = [*_levels(blade, 0.0)]
    if blade.edges == 2:
        for one in _one_edged(blade):
            ways += _levels(one, math.log(OTHER_EDGES_P))
    return tuple(ways)


def _levels(blade: Blade, log_p: float) -> list[Way]:
    """The blade, and the same with its width where its edges run highest."""
    ways = [(blade, log_p)]
    edges = samples_of(blade, blade.a), samples_of(blade, blade.b)
    level = max((_top_level(edge) for edge in edges), default=0.0)
    if level > blade.width.mm + LEVEL_APART_MM:
        width = Length(level, math.hypot(LEVEL_U_MM, blade.height_common_u_mm))
        ways.append((replace(blade, width=width), log_p + math.log(OTHER_LEVEL_P)))
    return ways


def _top_level(edge: Samples) -> float:
    """The highest level along which an edge runs for long enough to be uncut there; 0 where none is."""
    if len(edge.height_mm) == 0:
        return 0.0
    for top in np.sort(edge.height_mm)[::-1]:
        near = np.abs(edge.height_mm - top) < LEVEL_NEAR_MM
        if near.sum() * STATION_MM >= LEVEL_SEEN_MM:
            return float(np.median(edge.height_mm[near]))
    return 0.0


def _one_edged(blade: Blade) -> list[Blade]:
    """The blade with one of its edges uncut: heights of the other are measured anew from a line through it."""
    ways = []
    for uncut, cut in ((blade.b, blade.a), (blade.a, blade.b)):
        line = _line(uncut, blade)
        if line is None:
            continue
        loss = blade.width.mm - np.polyval(line, uncut.x_mm)  # of the line below the uncut line measured before
        turned = replace(cut, height_mm=cut.height_mm - np.interp(cut.x_mm, uncut.x_mm, loss))
        samples = samples_of(blade, turned)
        level = _top_level(samples)
        if level == 0.0:
            continue
        straight = replace(uncut, height_mm=uncut.height_mm + loss - blade.width.mm + level)
        width = Length(level, math.hypot(LEVEL_U_MM, blade.height_common_u_mm))
        ways.append(replace(blade, edges=1, a=turned, b=straight, width=width))
    return ways


def _line(trace: EdgeTrace, blade: Blade) -> Array | None:
    """Slope and level of a line through an edge that is uncut but for stretches astray; None where it is cut."""
    samples = samples_of(blade, trace)
    x, y = samples.x_mm, samples.height_mm
    if len(x) * STATION_MM < LEVEL_SEEN_MM:
        return None
    weight = np.ones(len(x))
    line = np.array([0.0, float(np.median(y))])
    for _ in range(ROUNDS):
        line = np.polyfit(x, y, 1, w=np.sqrt(weight))
        off = y - np.polyval(line, x)
        spread = max(1.4826 * float(np.median(np.abs(off - np.median(off)))), STRAIGHT_MM / 2)
        weight = 1 / (1 + (off / spread) ** 2)
    on = np.abs(y - np.polyval(line, x)) < STRAIGHT_MM
    return line if on.mean() >= STRAIGHT_SHARE else None
