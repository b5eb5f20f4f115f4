"""How well a blade's measurements fit what is expected of it, as logs of probability densities.

All models explain the same data: stop, width, length, and the two traces.  A model of the traces is a set of cuts;
its likelihood is that of the traces around the edge that these cuts leave (each cut where it was measured), times how
likely the measured roots and positions are, times the volume of their uncertainty (Laplace's approximation).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.rankings.cutmodel import CutShape, ideal_edge
from keyid.rankings.height_errors import WIDTH_ASTRAY, width_sd_mm
from keyid.rankings.strays import with_strays

Array = NDArray[np.float64]

STATION_MM = 0.1  # spacing at which traces are compared: well below a flat
STOP_CLEAR_MM = 0.5  # beside the shoulder its rounding hides the edge
TIP_CLEAR_MM = 4.3  # blades taper to the tip over up to 4 mm on one side
INDEPENDENT_MM = 0.3  # a wrong edge or a burr spoils at least that much at once: one independent sample
MODEL_SD_MM = 0.03  # edges as cut and worn differ from straight flanks and flats by that
PEAK_SD_MM = 0.15  # and by that beside a peak, which wears most
PEAK_MM = 0.35  # on each side
STRAY_P = 0.03  # share of single stations that show another edge
STRAY_NEAR = (0.8, 0.45)  # share of those up to that far away, in mm: rims, grooves, a shadow
STRAY_FAR_MM = 1.5  # the rest is up to that far away
FLOOR_U_MM = 0.01  # no height is located better than that

WIDTH_OFF = (0.2, 0.12)  # share and sd in mm of widths that are off by more than is stated
WIDTH_SPAN_MM = 6.0  # blades are 5 to 11 mm wide
LENGTH_SD_MM = 0.05
LENGTH_TAIL = (0.06, 0.4)  # a worn tip, or a shoulder seen on its rounding
LENGTH_SPAN_MM = 20.0  # 17 to 37 mm
WRONG_EDGES_P = 0.03  # share of keys whose cut edges are miscounted: a path along a scratch, shallow cuts
WRONG_STOP_P = 0.04  # share of stops taken for the other kind


@dataclass(frozen=True)
class Samples:
    """Stations at which one edge is compared with models; each of shape (n,).

    ``weight`` is the number of independent samples that each station stands for.
    """

    x_mm: Array
    height_mm: Array
    sd_mm: Array
    weight: Array


def samples_of(blade: Blade, trace: EdgeTrace) -> Samples:
    """Thin out a trace to the stations that are clear of stop and tip."""
    step = float(trace.x_mm[1] - trace.x_mm[0])
    every = max(1, round(STATION_MM / step))
    x, height, u = trace.x_mm[::every], trace.height_mm[::every], trace.u_mm[::every]
    from_shoulder = blade.stop == "shoulder"
    low = STOP_CLEAR_MM if from_shoulder else TIP_CLEAR_MM
    end = blade.length.mm if from_shoulder and blade.length is not None else float(trace.x_mm[-1])
    high = end - (TIP_CLEAR_MM if from_shoulder else STOP_CLEAR_MM)
    use = np.isfinite(height) & np.isfinite(u) & (x >= low) & (x <= high)
    weight = step * every / max(trace.correlation_mm, INDEPENDENT_MM)
    return Samples(x[use], height[use], np.maximum(u[use], FLOOR_U_MM), np.full(int(use.sum()), weight))


def trace_log_likelihood(
    samples: Samples, positions_mm: Array, roots_mm: Array, shape: CutShape, width_mm: float
) -> tuple[float, Array]:
    """Log-likelihood of a trace around the edge that cuts leave, and how far each station is above it in mm."""
    model, peak = ideal_edge(samples.x_mm, positions_mm, roots_mm, shape, width_mm)
    off = samples.height_mm - model
    sd = np.hypot(samples.sd_mm, np.where(peak < PEAK_MM, PEAK_SD_MM, MODEL_SD_MM))
    right = np.exp(-0.5 * (off / sd) ** 2) / (math.sqrt(2 * math.pi) * sd)
    right = (1 - STRAY_P) * right + STRAY_P * _stray_density(off)
    return with_strays(samples.x_mm, samples.height_mm, samples.weight, right, off), off


def _stray_density(off: Array) -> Array:
    """Density of single heights seen on another edge."""
    near_share, near_mm = STRAY_NEAR
    near = np.where(np.abs(off) < near_mm, near_share / (2 * near_mm), 0.0)
    return np.asarray(near + (1 - near_share) / (2 * STRAY_FAR_MM))


def blade_log_densities(profiles: tuple[Profile, ...], width: Length, length: Length | None) -> Array:
    """Log-density of a measured width and length, given each of many profiles; shape (profiles,)."""
    sd = np.hypot(width.u_mm, [width_sd_mm(profile) for profile in profiles])
    wide = width_log_density(width.mm - np.array([profile.width_mm for profile in profiles]), sd)
    if length is None:
        return wide - math.log(LENGTH_SPAN_MM)
    nominal = [
        np.nan if p.stop == "tip" or p.length_mm is None else p.length_mm for p in profiles
    ]  # a tip's never decides
    off = length.mm - np.array(nominal)
    made = np.hypot(LENGTH_SD_MM, [p.length_sd_mm or 0.0 for p in profiles])
    long = log_two_normals(np.nan_to_num(off), np.hypot(length.u_mm, made), LENGTH_TAIL)
    return wide + np.where(np.isnan(off), -math.log(LENGTH_SPAN_MM), long)


def width_log_density(off_mm: Array, sd_mm: Array) -> Array:
    """Log-density of a measured minus a nominal width, by the standard deviation of both."""
    share, wide = WIDTH_ASTRAY
    astray = math.log(share) - 0.5 * (off_mm / wide) ** 2 - math.log(math.sqrt(2 * math.pi) * wide)
    return np.asarray(np.logaddexp(math.log(1 - share) + log_two_normals(off_mm, sd_mm, WIDTH_OFF), astray))


def length_log_density(length: Length | None, nominal_mm: float | None) -> float:
    """Log-density of a measured length; with no length to compare it can be any."""
    if length is None or nominal_mm is None:
        return -math.log(LENGTH_SPAN_MM)
    return log_length(Length(length.mm - nominal_mm, length.u_mm))


def log_length(off: Length) -> float:
    """Log-density of a measured minus a nominal length."""
    return float(log_two_normals(np.asarray(off.mm), math.hypot(off.u_mm, LENGTH_SD_MM), LENGTH_TAIL))


def stop_log_probability(seen: str, nominal: str) -> float:
    """Log-probability of the stop that was seen, given a blade's; "unknown" tells nothing."""
    if seen == "unknown":
        return math.log(0.5)
    return math.log(1 - WRONG_STOP_P if seen == nominal else WRONG_STOP_P)


def edges_log_probability(seen: int | None, nominal: int) -> float:
    """Log-probability of the number of cut edges that was seen, given a blade's."""
    return math.log(1 - WRONG_EDGES_P if seen == nominal else WRONG_EDGES_P)


def log_two_normals(off: Array, sd: Array | float, tail: tuple[float, float]) -> Array:
    """Log-density of a difference whose standard deviation is greater for a share of all cases."""
    share, wide = tail[0], np.hypot(sd, tail[1])
    main = (1 - share) / sd * np.exp(-0.5 * (off / sd) ** 2)
    far = share / wide * np.exp(-0.5 * (off / wide) ** 2)
    return np.asarray(np.log((main + far + 1e-12) / math.sqrt(2 * math.pi)))
