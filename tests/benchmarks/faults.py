"""What goes wrong when a blade is measured in a photo, put on exact edges of simulated keys.

Kinds and sizes are those seen in photos of rendered keys; how often they happen is a guess that brackets them (no
source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from keyid.blades.blade import Blade, EdgeTrace
from keyid.length import Length

Array = NDArray[np.float64]
Rng = np.random.Generator

STEP_MM = 0.08
STRAYS_CUT, STRAYS_UNCUT = 0.8, 0.25  # mean number of stretches astray on a cut and on an uncut edge
STRAY_SPAN_MM = (0.3, 3.0)
UNCUT_MM = 0.02
GAPS = 0.4  # mean number of unseen stretches on each edge
LINE_ASTRAY_P, LINE_ASTRAY_MM = 0.04, (0.1, 0.35)  # an uncut line along another edge
LAND_ASTRAY_P, LAND_ASTRAY_MM = 0.04, (0.2, 1.2)  # a root's flat taken for the uncut line of a cut edge
TILTED_P, TILT = 0.02, 0.012  # axis off by more than stated
SHORT_TIP_P, SHORT_TIP_MM = 0.12, (0.1, 0.3)
SHOULDER_P, SHOULDER_MM = 0.08, (0.1, 0.4)
WRONG_EDGES_P, WRONG_STOP_P = 0.03, 0.03


@dataclass(frozen=True)
class TrueEdges:
    """Exact edges of a key, stations from the stop; ``edges`` are cut, none of an uncut key."""

    stop: str
    edges: int | None
    length_mm: float
    width_mm: float
    x_mm: Array
    heights_mm: tuple[Array, Array]


def measure(rng: Rng, key: TrueEdges) -> Blade:
    """Measure a key with all that goes wrong in a photo."""
    line_u, land_u, rim_u = 0.015, 0.05, rng.uniform(0.01, 0.06)
    station_u = (0.04 if key.stop == "shoulder" else 0.08) * rng.uniform(0.8, 1.3)
    stretch_u, noise, correlation = rng.uniform(0.0005, 0.002), rng.uniform(0.01, 0.03), rng.uniform(0.2, 0.5)
    rim = rng.normal(0, rim_u)
    lines = [_line_error(rng, land_u if cut else line_u, cut) for cut in _cut(key)]
    stop_off, tip_off = _ends(rng, key, station_u)
    stretch = 1 + rng.normal(0, stretch_u)
    shoulder = key.stop == "shoulder"
    end = key.length_mm * stretch + tip_off - stop_off if shoulder else key.length_mm - rng.uniform(0.2, 1.0)
    x = np.arange(0, end, STEP_MM)
    tilt = rng.normal(0, TILT) if rng.random() < TILTED_P else 0.0
    traces = []
    for edge, (height, cut) in enumerate(zip(key.heights_mm, _cut(key), strict=True)):
        own = np.where(height > key.width_mm - UNCUT_MM, lines[edge], 0.0)  # the line is where the uncut edge is seen
        seen = np.interp((x + stop_off) / stretch, key.x_mm, height + own) + rim + lines[1 - edge]
        seen = gaussian_filter1d(seen, 0.03 / STEP_MM) + correlated(rng, len(x), noise, correlation)
        seen += (1 - 2 * edge) * tilt * (x - end / 2)
        _spoil(rng, seen, cut)
        traces.append(EdgeTrace(x, seen, np.where(np.isfinite(seen), noise, np.nan), correlation))
    width_u = math.sqrt(sum((land_u if cut else line_u) ** 2 for cut in _cut(key)) + rim_u**2)
    width = Length(key.width_mm + rim + sum(lines) - _land_astray(rng, key), width_u)
    length = Length(end, math.hypot(station_u, 0.08)) if shoulder else None
    edges = key.edges
    if edges is not None and rng.random() < WRONG_EDGES_P:
        edges = 3 - edges
    height_u = math.hypot(land_u if key.edges == 2 else line_u, rim_u)
    blade = Blade(key.stop, edges, length, width, traces[0], traces[1], height_u, station_u, stretch_u)
    return _other_stop(blade) if rng.random() < WRONG_STOP_P else blade


def _cut(key: TrueEdges) -> tuple[bool, bool]:
    return key.edges is not None, key.edges == 2


def _line_error(rng: Rng, u: float, cut: bool) -> float:
    """How far one edge's uncut line is off, outward positive."""
    if not cut and rng.random() < LINE_ASTRAY_P:
        return float(rng.choice([-1, 1]) * rng.uniform(*LINE_ASTRAY_MM))
    return float(rng.normal(0, u))


def _land_astray(rng: Rng, key: TrueEdges) -> float:
    return float(rng.uniform(*LAND_ASTRAY_MM)) if key.edges is not None and rng.random() < LAND_ASTRAY_P else 0.0


def _ends(rng: Rng, key: TrueEdges, station_u: float) -> tuple[float, float]:
    """Errors of the stop's station and, of a shoulder stop, of the tip's; positive away from the stop."""
    short = -rng.uniform(*SHORT_TIP_MM) if rng.random() < SHORT_TIP_P else 0.0
    if key.stop == "tip":
        return float(rng.normal(0, station_u) - short), 0.0
    stop = rng.normal(0, station_u)
    if rng.random() < SHOULDER_P:
        stop += rng.choice([-1, 1]) * rng.uniform(*SHOULDER_MM)
    return float(stop), float(rng.normal(0, 0.08) + short)


def _spoil(rng: Rng, height: Array, cut: bool) -> None:
    """Move stretches to another edge, and lose some."""
    for _ in range(rng.poisson(STRAYS_CUT if cut else STRAYS_UNCUT)):
        _stray(rng, height, cut)
    for _ in range(rng.poisson(GAPS if cut else GAPS / 4)):
        first = rng.integers(len(height))
        height[first : first + round(rng.uniform(0.2, 1.5) / STEP_MM)] = np.nan


def _stray(rng: Rng, height: Array, cut: bool) -> None:
    """Take one stretch beside the edge, along a level, or straight across."""
    first = int(rng.integers(len(height) - 4))
    stretch = slice(first, min(first + round(rng.uniform(*STRAY_SPAN_MM) / STEP_MM), len(height)))
    here = height[stretch]
    n = len(here)
    kind = rng.choice(["beside", "level", "straight"]) if cut else "beside"
    if kind == "beside":
        height[stretch] = here + rng.choice([-1, 1]) * rng.uniform(0.08, 0.8 if cut else 0.3)
    elif kind == "level":
        height[stretch] = here[0] + rng.normal(0, 0.015, n)
    else:
        height[stretch] = np.linspace(here[0] + rng.normal(0, 0.2), here[-1] + rng.normal(0, 0.2), n)


def correlated(rng: Rng, n: int, sd: float, correlation_mm: float) -> Array:
    """Noise whose neighbouring values go together."""
    width = correlation_mm / STEP_MM / 2
    noise = gaussian_filter1d(rng.normal(0, 1, n + 200), width)[100 : n + 100]
    return noise * sd * math.sqrt(2 * math.sqrt(math.pi) * width)


def _other_stop(blade: Blade) -> Blade:
    """Take the stop for the other kind: the shoulder isn't seen, or the head's front is taken for one."""
    end = blade.length.mm if blade.length is not None else float(blade.a.x_mm[-1]) + 0.3
    x = np.arange(0, end, STEP_MM)
    a, b = (
        replace(t, x_mm=x, height_mm=_turned(t, t.height_mm, end - x), u_mm=_turned(t, t.u_mm, end - x))
        for t in (blade.a, blade.b)
    )
    if blade.stop == "shoulder":
        return replace(blade, stop="tip", length=None, a=a, b=b)
    return replace(blade, stop="shoulder", length=Length(end, 0.06), a=a, b=b)


def _turned(trace: EdgeTrace, values: Array, x: Array) -> Array:
    """Values at stations counted from the other end; NaN off the trace."""
    index = np.rint((x - trace.x_mm[0]) / STEP_MM).astype(int)
    inside = (index >= 0) & (index < len(values))
    return np.where(inside, values[np.clip(index, 0, len(values) - 1)], np.nan)
