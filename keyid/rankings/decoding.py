"""Measuring the cuts of an edge where a profile says that they are.

The profile tells where to look, and the cutter's flat and angle; what is found there is measured and never drawn to
what the profile says.  The root is the mean of the trace over the flat; the position is the middle between the flanks.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import EdgeTrace
from keyid.moving_mean import moving_mean
from keyid.rankings.cutmodel import CutShape, cut_heights

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

REACH_MM = 2.2  # flanks are looked for that far from a root's centre
NEIGHBOUR_SHARE = 0.62  # of the way to the neighbouring root: its flank begins there at the latest
FLAT_MARGIN_MM = 0.1  # at each end of the flat: the picture's blur rounds the corner
CORE_MIN_MM = 0.12  # half of the shortest stretch over which a root is averaged
ROOT_SEEN_MM = 0.12  # a root seen over less is not read
FLANK_SEEN_MM = 0.09  # nor a flank
FIRST_LOOK_MM = 0.3  # beyond half the flat: cuts of a copy made off its stop are found that far away
SHIFTS_MM = np.linspace(-0.9, 0.9, 37)  # of all cuts together: copies made off their stop
SHIFT_COST = 0.05  # mm of height that a mm of shift must gain: without cuts there is no shift
MOVE_MAX_MM = 0.5  # a cut further from where the profile says is not that cut
CLIP = 3.0  # robust standard deviations beyond which a sample of a flat or flank is another edge
SCATTER_MIN_MM = 0.012  # robust standard deviations of a few like samples are not trusted below this
PEAK_MARGIN_MM = 0.18  # wear and blur round the peak that ends a flank
FLANK_LOW_MM = 0.12  # the corner of root and flank is rounded up to this height
CORNER_SHARE = 0.25  # of a low flank that each corner spoils
FLANK_RISE_MIN_MM = 0.17  # a lower flank doesn't tell where it stands
BLOCKED_MM = 0.03  # where the neighbour's flank is that near to the root it has eaten the flat
EATEN_U_MM = 0.04  # a root whose flat the neighbour has eaten is read at the remaining corner
ROOT_FLOOR_MM = 0.004  # a flat as cut is not smoother than that
FLANK_FLOOR_MM = 0.010  # nor is a flank straighter
ONE_FLANK_U_MM = 0.05  # the length of a flat as cut varies by that: it counts where only one flank is seen
FLAT_CHANGE_MM = 0.2  # all flats together can be that much shorter or longer (half of it at each end)
FLAT_SD_MM = 0.06  # half flats of one key differ by that
WRONG_EDGE_P = 0.06  # share of roots read on another edge (rim, groove, shadow), after the robust mean
WRONG_EDGE_SD_MM = 0.25  # and how far off most are: up to 0.4 mm
WRONG_EDGE_FAR = (0.4, 3.0)  # share and span in mm of those that follow a peak's or another root's level
UNCUT_MM = 0.12  # a root that near to the full width has no flanks to measure


@dataclass(frozen=True)
class EdgeReading:
    """The cuts of one edge as measured, in the order of the places looked at; NaN where nothing can be said.

    Attributes
    ----------
    root_mm, root_u_mm : ndarray, shape (cuts,)
        Height of each root and its standard uncertainty from this edge's trace alone.
    position_mm, position_u_mm : ndarray, shape (cuts,)
        Station of each root's centre, likewise.
    wrong_p : ndarray, shape (cuts,)
        Probability that the root was read on another edge, as far as its flanks tell.
    flank_root_mm : ndarray, shape (cuts,)
        Height at which the flanks are as far apart as the ends of a usual flat; NaN where one isn't seen.
    half_flat_mm : float
        Half the usual distance between the feet of this edge's flanks; the cutter's where no cut shows both.
    """

    root_mm: Array
    root_u_mm: Array
    position_mm: Array
    position_u_mm: Array
    wrong_p: Array
    flank_root_mm: Array
    half_flat_mm: float


@dataclass(frozen=True)
class _Windows:
    """Samples of a trace around each place looked at; all of shape (cuts, samples)."""

    away_mm: Array
    height_mm: Array
    u_mm: Array


@dataclass(frozen=True)
class _Feet:
    """Distance of the feet of the flanks from the middle of each window, outward; all of shape (cuts,)."""

    left_mm: Array
    left_u_mm: Array
    right_mm: Array
    right_u_mm: Array


def read_cuts(
    traces: tuple[EdgeTrace, ...], slots_mm: Array, shape: CutShape, width_mm: float
) -> tuple[tuple[EdgeReading, ...], float]:
    """Measure the cuts of edges that carry the same bitting.

    Parameters
    ----------
    traces : tuple of EdgeTrace
        The cut edges.
    slots_mm : ndarray, shape (cuts,)
        Stations where the cuts should be, ascending.
    shape : CutShape
        Flat and flanks.
    width_mm : float
        Across the uncut blade, as measured.

    Returns
    -------
    readings : tuple of EdgeReading
        One for each trace.
    shift_mm : float
        How far the cuts stand from the slots, in the middle of all.
    """
    shift = _lowest_shift(traces, slots_mm, shape)
    first = [_first_look(trace, slots_mm + shift, shape, width_mm) for trace in traces]
    shift = _middle_shift(np.concatenate(first), slots_mm, shift)
    readings = tuple(_read_edge(trace, slots_mm + shift, shape, width_mm) for trace in traces)
    return readings, _middle_shift(np.concatenate([r.position_mm for r in readings]), slots_mm, shift)


def _lowest_shift(traces: tuple[EdgeTrace, ...], slots_mm: Array, shape: CutShape) -> float:
    """Shift at which the edges are lowest over all flats together, small shifts first."""
    mean = np.zeros(len(SHIFTS_MM))
    for trace in traces:
        seen = np.isfinite(trace.height_mm)
        if not seen.any():
            continue
        height = np.interp(trace.x_mm, trace.x_mm[seen], trace.height_mm[seen])
        step = float(trace.x_mm[1] - trace.x_mm[0])
        smooth = moving_mean(height, max(1, round(2 * shape.half_flat_mm / step)))
        mean += np.interp(slots_mm[:, None] + SHIFTS_MM, trace.x_mm, smooth).mean(axis=0)
    return float(SHIFTS_MM[np.argmin(mean / len(traces) + SHIFT_COST * np.abs(SHIFTS_MM))])


def _middle_shift(positions_mm: Array, slots_mm: Array, shift_mm: float) -> float:
    """Middle of all positions' shifts that are near the one found before."""
    moved = positions_mm - np.tile(slots_mm, len(positions_mm) // len(slots_mm))
    seen = moved[np.abs(moved - shift_mm) <= MOVE_MAX_MM]
    return float(np.median(seen)) if len(seen) else shift_mm


def _first_look(trace: EdgeTrace, slots_mm: Array, shape: CutShape, width_mm: float) -> Array:
    """Rough stations of the roots, NaN where no flanks are seen: from the lowest place near each slot."""
    windows = _windows(trace, slots_mm)
    near = np.abs(windows.away_mm) <= shape.half_flat_mm + FIRST_LOOK_MM
    low = _low(windows.height_mm, near)
    root = np.where(low > width_mm - UNCUT_MM, np.nan, low)
    nothing = np.full(len(slots_mm), np.nan)
    return slots_mm + _centre(_feet(windows, root, slots_mm, shape, trace), nothing, shape)[0]


def _low(value: Array, use: Mask) -> Array:
    """Value that a fifth of the used samples of each row lie below; NaN where there are none."""
    use = use & np.isfinite(value)
    ordered = np.sort(np.where(use, value, np.inf), axis=1)
    low = ordered[np.arange(len(value)), use.sum(axis=1) // 5]
    return np.where(np.isfinite(low), low, np.nan)


def _read_edge(trace: EdgeTrace, slots_mm: Array, shape: CutShape, width_mm: float) -> EdgeReading:
    """Measure at the slots, then again where the cuts were found, apart from what a neighbour has cut away."""
    reading = _measure(trace, slots_mm, slots_mm, None, shape, width_mm)
    found = np.where(np.abs(reading.position_mm - slots_mm) <= MOVE_MAX_MM, reading.position_mm, slots_mm)
    reading = _measure(trace, found, slots_mm, reading, shape, width_mm)
    lost = np.abs(reading.position_mm - slots_mm) > MOVE_MAX_MM
    return replace(
        reading,
        position_mm=np.where(lost, np.nan, reading.position_mm),
        position_u_mm=np.where(lost, np.nan, reading.position_u_mm),
    )


def _measure(
    trace: EdgeTrace, centres_mm: Array, slots_mm: Array, before: EdgeReading | None, shape: CutShape, width_mm: float
) -> EdgeReading:
    windows = _windows(trace, centres_mm)
    blocked = None if before is None else _blocked(windows, centres_mm, before.root_mm, shape)
    root, root_u = _roots(windows, blocked, shape, trace)
    cut = np.where(root > width_mm - UNCUT_MM, np.nan, root)
    feet = _feet(windows, cut, slots_mm, shape, trace)
    seen_shape = replace(shape, half_flat_mm=_half_flat(feet, shape))
    moved, moved_u = _centre(feet, root_u, seen_shape)
    wrong_p = _wrong_probability(feet, seen_shape.half_flat_mm)
    too_wide = (feet.left_mm + feet.right_mm) / 2 - seen_shape.half_flat_mm
    flank_root = root - too_wide * shape.rise
    return EdgeReading(root, root_u, centres_mm + moved, moved_u, wrong_p, flank_root, seen_shape.half_flat_mm)


def _windows(trace: EdgeTrace, centres_mm: Array) -> _Windows:
    """Cut out the samples within reach of each centre."""
    start, step = float(trace.x_mm[0]), float(trace.x_mm[1] - trace.x_mm[0])
    half = int(REACH_MM / step)
    index = np.rint((centres_mm - start) / step).astype(int)[:, None] + np.arange(-half, half + 1)
    inside = (index >= 0) & (index < len(trace.x_mm))
    index = np.clip(index, 0, len(trace.x_mm) - 1)
    away = start + step * index - centres_mm[:, None]
    height = np.where(inside, trace.height_mm[index], np.nan)
    return _Windows(away, height, np.where(inside, trace.u_mm[index], np.nan))


def _blocked(windows: _Windows, centres_mm: Array, roots_mm: Array, shape: CutShape) -> Mask:
    """Samples where a neighbour's flank lies lower than the root: metal that another cut took."""
    x = windows.away_mm + centres_mm[:, None]
    blocked = np.zeros(x.shape, dtype=bool)
    if len(centres_mm) < 2:
        return blocked
    flank = cut_heights(x[1:], centres_mm[:-1, None], roots_mm[:-1, None], shape)
    blocked[1:] |= flank < roots_mm[1:, None] + BLOCKED_MM
    flank = cut_heights(x[:-1], centres_mm[1:, None], roots_mm[1:, None], shape)
    blocked[:-1] |= flank < roots_mm[:-1, None] + BLOCKED_MM
    return blocked


def _roots(windows: _Windows, blocked: Mask | None, shape: CutShape, trace: EdgeTrace) -> tuple[Array, Array]:
    """Mean height over each flat and its standard uncertainty."""
    core = np.abs(windows.away_mm) <= max(shape.half_flat_mm - FLAT_MARGIN_MM, CORE_MIN_MM)
    extra = np.zeros(len(core))
    if blocked is not None:
        free = core & ~blocked
        step = float(trace.x_mm[1] - trace.x_mm[0])
        eaten = (free & np.isfinite(windows.height_mm)).sum(axis=1) * step < ROOT_SEEN_MM
        core = np.where(eaten[:, None], core, free)
        extra = np.where(eaten, EATEN_U_MM, 0.0)
    mean, u = _robust_mean(windows.height_mm, windows.u_mm, core, trace, ROOT_SEEN_MM)
    return mean, np.sqrt(u**2 + extra**2 + ROOT_FLOOR_MM**2)


def _robust_mean(value: Array, u: Array, use: Mask, trace: EdgeTrace, least_mm: float) -> tuple[Array, Array]:
    """Mean along the last axis without samples that stand apart, and its standard uncertainty.

    The uncertainty is the greater of what the samples state and what they scatter, both for as many independent
    samples as the correlation length leaves.
    """
    use = use & np.isfinite(value)
    middle = _median(value, use)
    spread = 1.4826 * _median(np.abs(value - middle[:, None]), use)
    use = use & (np.abs(value - middle[:, None]) <= CLIP * np.maximum(spread, SCATTER_MIN_MM)[:, None])
    count = np.maximum(use.sum(axis=1), 1)
    mean = np.where(use, value, 0.0).sum(axis=1) / count
    stated = np.where(use, u**2, 0.0).sum(axis=1) / count
    scatter = np.where(use, (value - mean[:, None]) ** 2, 0.0).sum(axis=1) / count
    span = use.sum(axis=1) * float(trace.x_mm[1] - trace.x_mm[0])
    independent = np.maximum(1.0, span / max(trace.correlation_mm, 1e-6))
    seen = span >= least_mm - 1e-9
    u_mean = np.sqrt(np.maximum(stated, scatter) / independent)
    return np.where(seen, mean, np.nan), np.where(seen, u_mean, np.nan)


def _median(value: Array, use: Mask) -> Array:
    """Median of the used samples of each row; NaN where there are none."""
    ordered = np.sort(np.where(use, value, np.inf), axis=1)
    count = use.sum(axis=1)
    rows = np.arange(len(value))
    lower = ordered[rows, np.maximum(count - 1, 0) // 2]
    upper = ordered[rows, np.minimum(count // 2, value.shape[1] - 1)]
    return np.where(count > 0, (lower + upper) / 2, np.nan)


def _feet(windows: _Windows, root: Array, slots_mm: Array, shape: CutShape, trace: EdgeTrace) -> _Feet:
    """Where the flanks of each cut leave its root."""
    reach = _reach(slots_mm)
    rise = windows.height_mm - root[:, None]
    tops = [_peak(windows.away_mm * side, rise, reach[side]) for side in (-1, 1)]
    lower_top = np.minimum(tops[0][1], tops[1][1])
    both = lower_top >= FLANK_RISE_MIN_MM
    feet = []
    for side, (peak_at, top) in zip((-1, 1), tops, strict=True):
        top = np.where(both, lower_top, top)  # the same heights on both sides: errors of the angle cancel
        use = _on_flank(windows.away_mm * side, rise, peak_at, top)
        foot = windows.away_mm * side - rise / shape.rise
        feet.append(_robust_mean(foot, windows.u_mm / shape.rise, use, trace, FLANK_SEEN_MM))
    return _Feet(feet[0][0], feet[0][1], feet[1][0], feet[1][1])


def _half_flat(feet: _Feet, shape: CutShape) -> float:
    """Half the middle distance between the feet of the same cut: blur and wear move all flanks alike."""
    half = (feet.left_mm + feet.right_mm) / 2
    half = half[np.isfinite(half)]
    if len(half) == 0:
        return shape.half_flat_mm
    change = float(np.median(half)) - shape.half_flat_mm
    return shape.half_flat_mm + min(max(change, -FLAT_CHANGE_MM), FLAT_CHANGE_MM)


def _wrong_probability(feet: _Feet, half_flat_mm: float) -> Array:
    """Probability that each root was read on another edge.

    A root read too high meets its flanks too far apart.  Half of all wrong edges take the flanks along and don't show.
    """
    off = (feet.left_mm + feet.right_mm) / 2 - half_flat_mm
    seen = np.isfinite(off)
    off = np.where(seen, off, 0.0)
    u = np.where(seen, np.hypot(feet.left_u_mm, feet.right_u_mm) / 2, 1.0)
    sd = np.hypot(u, FLAT_SD_MM)
    wide = np.hypot(sd, WRONG_EDGE_SD_MM)
    right = np.exp(-0.5 * (off / sd) ** 2) / sd
    wrong = (right + np.exp(-0.5 * (off / wide) ** 2) / wide) / 2
    p = WRONG_EDGE_P * wrong / (WRONG_EDGE_P * wrong + (1 - WRONG_EDGE_P) * right)
    return np.where(seen, p, WRONG_EDGE_P)


def _reach(slots_mm: Array) -> dict[int, Array]:
    """How far to look to each side (-1, 1) of every slot."""
    gaps = np.minimum(np.diff(slots_mm) * NEIGHBOUR_SHARE, REACH_MM)
    return {-1: np.append(REACH_MM, gaps), 1: np.append(gaps, REACH_MM)}


def _peak(away: Array, rise: Array, reach: Array) -> tuple[Array, Array]:
    """Where the flank that rises outward ends, and how high."""
    outward = np.where((away > 0) & (away <= reach[:, None]) & np.isfinite(rise), rise, -np.inf)
    at = np.argmax(outward, axis=1)
    rows = np.arange(len(at))
    return away[rows, at], np.maximum(outward[rows, at], 0.0)


def _on_flank(away: Array, rise: Array, peak_at: Array, top: Array) -> Mask:
    """Samples of a flank clear of both its corners."""
    low = np.minimum(FLANK_LOW_MM, CORNER_SHARE * top)
    high = top - np.minimum(PEAK_MARGIN_MM, CORNER_SHARE * top)
    enough = (top >= FLANK_RISE_MIN_MM)[:, None]
    return (away > 0) & (away < peak_at[:, None]) & (rise > low[:, None]) & (rise < high[:, None]) & enough


def _centre(feet: _Feet, root_u: Array, shape: CutShape) -> tuple[Array, Array]:
    """Middle between the feet of the flanks; where one is missing, half a flat from the other."""
    middle = (feet.right_mm - feet.left_mm) / 2
    middle_u = np.sqrt((feet.left_u_mm**2 + feet.right_u_mm**2) / 4 + FLANK_FLOOR_MM**2)
    has_left = np.isfinite(feet.left_mm)
    one = np.where(has_left, shape.half_flat_mm - feet.left_mm, feet.right_mm - shape.half_flat_mm)
    one_u = np.where(has_left, feet.left_u_mm, feet.right_u_mm)
    one_u = np.sqrt(one_u**2 + (np.nan_to_num(root_u) / shape.rise) ** 2 + ONE_FLANK_U_MM**2)
    seen_both = np.isfinite(middle)
    return np.where(seen_both, middle, one), np.where(seen_both, middle_u, one_u)
