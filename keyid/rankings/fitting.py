"""One profile fitted to the measured blade: its cuts measured, its codes weighed, its evidence summed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.rankings.codes import CodePosterior, code_posterior
from keyid.rankings.cutmodel import CutShape, cut_heights, full_height, shape_of
from keyid.rankings.decoding import UNCUT_MM, EdgeReading, read_cuts
from keyid.rankings.evidence import (
    Samples,
    blade_log_densities,
    edges_log_probability,
    length_log_density,
    stop_log_probability,
    trace_log_likelihood,
)
from keyid.rankings.joint import levelled
from keyid.rankings.known import NOTHING_KNOWN, Known
from keyid.rankings.places import missing_log_probability, place_log_likelihood
from keyid.rankings.unlisted import unlisted_position_log_likelihood, unlisted_root_log_likelihood

Array = NDArray[np.float64]

NOMINAL_LENGTH_U_MM = 0.3  # a tip placed by a shoulder, or the other way round, through a nominal length
HALF_FLAT_SD_MM = 0.06  # each end of a flat moves by that with blur, glare and wear
WRONG_MIN_P = 0.5  # a root likelier on another edge than not may be drawn where its flanks end
STRETCHED_MM = 0.25  # of the last cut, by one standard uncertainty of the scale: cuts 0.5 mm away are not looked for
STRETCHES = (-2, -1, 0, 1, 2)  # standard uncertainties
FLANKS_MM = 1.5  # a hidden root is drawn from what shows of its flanks within that
FLANKS_MIN = 4  # stations
OWN_FLANK_PERCENTILE = 80  # lower ones are on a neighbour's flank, higher ones on another edge
LOWER_MM = 0.1  # an edge that much lower on average is the one that is cut


@dataclass(frozen=True)
class Frame:
    """Where a profile's stop is on the blade: x_blade = origin + direction * x_profile."""

    origin_mm: float
    direction: int
    u_mm: float

    def to_blade(self, x_mm: Array) -> Array:
        """Stations of the profile on the blade."""
        return self.origin_mm + self.direction * x_mm

    def to_profile(self, x_mm: Array) -> Array:
        """Stations of the blade in the profile's own count."""
        return (x_mm - self.origin_mm) * self.direction


@dataclass(frozen=True)
class PlacedCuts:
    """Cuts read where a profile has them: all of a fit that its depth table doesn't change.

    Attributes
    ----------
    readings : tuple of EdgeReading
        Of each cut edge, in the profile's order and its count of stations.
    even : tuple of EdgeReading
        The same with the edges' roots levelled.
    shift_mm : float
        How far the cuts stand from where the profile says.
    station_u_mm : float
        Standard uncertainty of the profile's stop on this blade.
    log_fit : float
        Log-density of the traces around the cuts, and of what the cuts look like.
    log_listed, log_unlisted : float
        Log-density of stop, length and positions given the profile; of positions and roots given an unlisted key.
    lowest_off : tuple of (station, mm)
        Where a trace is most below what these cuts leave.
    """

    readings: tuple[EdgeReading, ...]
    even: tuple[EdgeReading, ...]
    shift_mm: float
    station_u_mm: float
    log_fit: float
    log_listed: float
    log_unlisted: float
    lowest_off: tuple[float, float]


@dataclass(frozen=True)
class CutFit:
    """A profile's cuts on the blade.

    Attributes
    ----------
    placed : PlacedCuts
    codes : CodePosterior
    log_evidence : float
        Log-density of stop, length, width and the two traces, given the profile.
    unlisted_log_evidence : float
        Log-density of the two traces for an unlisted key that has its cuts there.
    """

    placed: PlacedCuts
    codes: CodePosterior
    log_evidence: float
    unlisted_log_evidence: float


def frame_of(profile: Profile, blade: Blade) -> Frame | None:
    """Place a profile's stop on the blade; None where nothing tells where it is."""
    seen = blade.stop
    if seen == "unknown":  # stations are then counted from the tip, the end that is always seen
        seen = "tip"
    if seen == profile.stop:
        return Frame(0.0, 1, blade.station_common_u_mm)
    if blade.length is not None:
        return Frame(blade.length.mm, -1, math.hypot(blade.station_common_u_mm, blade.length.u_mm))
    if profile.length_mm is not None:
        return Frame(profile.length_mm, -1, NOMINAL_LENGTH_U_MM)
    return None


def size_log_densities(profiles: tuple[Profile, ...], blade: Blade) -> Array:
    """Log-density of stop, length and width, given each profile, where no cuts tell more; shape (profiles,)."""
    stops = {stop: stop_log_probability(blade.stop, stop) for stop in ("shoulder", "tip")}
    stop = np.array([stops[profile.stop] for profile in profiles])
    return stop + blade_log_densities(profiles, blade.width, blade.length)


def place_cuts(profile: Profile, blade: Blade, samples: tuple[Samples, Samples]) -> tuple[PlacedCuts, ...]:
    """Read a profile's cuts on the blade's edges; empty where they can't be placed.

    Where the scale along the blade is so unsure that the last cut may stand elsewhere, the cuts are looked for along
    stretched and shrunk blades, too; the positions found are weighed all the same.
    """
    frame = frame_of(profile, blade)
    if frame is None:
        return ()
    unsure = max(profile.positions_mm) * blade.stretch_u > STRETCHED_MM
    stretches = [1 + n * blade.stretch_u for n in (STRETCHES if unsure else (0,))]
    return tuple(_place_along(profile, blade, samples, frame, stretch) for stretch in stretches)


def what_places(profile: Profile) -> tuple[object, ...]:
    """All of a profile that `place_cuts` depends on."""
    length = profile.stop, profile.length_mm, profile.length_sd_mm
    positions = profile.edges, profile.positions_mm, profile.positions_sd_mm
    return *length, *positions, shape_of(profile), _may_be_uncut(profile)


def _place_along(
    profile: Profile, blade: Blade, samples: tuple[Samples, Samples], frame: Frame, stretch: float
) -> PlacedCuts:
    """Read the cuts on a blade that looks so many times as long as it is."""
    shape = shape_of(profile)
    cut_edges = _cut_edges(profile, blade)
    traces = tuple((blade.a, blade.b)[edge] for edge in cut_edges)
    nominal = np.asarray(profile.positions_mm)
    on_blade, shift = _read(traces, frame, stretch * nominal, shape, blade.width.mm)
    slots = frame.to_blade(stretch * nominal) + shift
    drawn = blade.width.mm - UNCUT_MM if _may_be_uncut(profile) else math.inf
    fit, off = fit_edges(samples, cut_edges, on_blade, slots, shape, blade, drawn)
    readings = tuple(replace(r, position_mm=frame.to_profile(r.position_mm)) for r in on_blade)
    even = levelled(readings, blade.width.mm)
    fit += sum(-0.5 * ((r.half_flat_mm - shape.half_flat_mm) / HALF_FLAT_SD_MM) ** 2 for r in readings)
    fit += edges_log_probability(blade.edges, profile.edges) + missing_log_probability(readings, blade.width.mm)
    unlisted = unlisted_position_log_likelihood(readings, nominal, frame.u_mm, blade.stretch_u)
    unlisted += unlisted_root_log_likelihood(even, blade.width.mm)
    return PlacedCuts(
        readings=readings,
        even=even,
        shift_mm=frame.direction * shift,
        station_u_mm=frame.u_mm,
        log_fit=fit,
        log_listed=_place_log_density(profile, blade, readings, frame),
        log_unlisted=unlisted,
        lowest_off=_lowest(samples, off),
    )


def weigh_codes(
    profile: Profile, blade: Blade, places: tuple[PlacedCuts, ...], known: Known = NOTHING_KNOWN
) -> CutFit | None:
    """Weigh the codes of cuts as `place_cuts` read them, where all fits best; None where they couldn't be placed."""
    return max((_weigh(profile, blade, p, known) for p in places), key=lambda fit: fit.log_evidence, default=None)


def _weigh(profile: Profile, blade: Blade, placed: PlacedCuts, known: Known) -> CutFit:
    codes = code_posterior(profile, placed.even, blade.width, blade.height_common_u_mm, known)
    listed = placed.log_fit + placed.log_listed + codes.log_evidence
    return CutFit(placed, codes, listed, placed.log_fit + placed.log_unlisted)


def _may_be_uncut(profile: Profile) -> bool:
    """Whether a code leaves the blade at full height."""
    return bool(full_height(profile).any())


def _place_log_density(profile: Profile, blade: Blade, readings: tuple[EdgeReading, ...], frame: Frame) -> float:
    """Log-density of stop and length, and likelihood of the positions."""
    nominal = np.asarray(profile.positions_mm)
    stop = stop_log_probability(blade.stop, profile.stop)
    if profile.stop == blade.stop == "shoulder" and blade.length is not None and profile.length_mm is not None:
        u = math.hypot(blade.length.u_mm, profile.length_sd_mm or 0.0)
        off = Length(blade.length.mm - profile.length_mm, u)
        return stop + place_log_likelihood(readings, nominal, frame.u_mm, blade.stretch_u, off, profile.positions_sd_mm)
    length = profile.length_mm if profile.stop == "shoulder" else None
    places = place_log_likelihood(readings, nominal, frame.u_mm, blade.stretch_u, nominal_sd_mm=profile.positions_sd_mm)
    return stop + length_log_density(blade.length, length) + places


def _cut_edges(profile: Profile, blade: Blade) -> tuple[int, ...]:
    """Which edges (0: a, 1: b) carry the profile's cuts."""
    if profile.edges == 2:
        return (0, 1)
    mean = [_mean_height(trace) for trace in (blade.a, blade.b)]
    return (1,) if blade.edges == 2 and mean[1] < mean[0] - LOWER_MM else (0,)


def _mean_height(trace: EdgeTrace) -> float:
    seen = trace.height_mm[np.isfinite(trace.height_mm)]
    return float(seen.mean()) if len(seen) else math.inf


def _read(
    traces: tuple[EdgeTrace, ...], frame: Frame, nominal: Array, shape: CutShape, width_mm: float
) -> tuple[tuple[EdgeReading, ...], float]:
    """Measure in the blade's count of stations, in the profile's order of cuts."""
    slots = frame.to_blade(nominal)
    readings, shift = read_cuts(traces, slots[:: frame.direction], shape, width_mm)
    return tuple(_ordered(reading, frame.direction) for reading in readings), shift


def _ordered(r: EdgeReading, direction: int) -> EdgeReading:
    order = slice(None, None, direction)
    return replace(
        r,
        root_mm=r.root_mm[order],
        root_u_mm=r.root_u_mm[order],
        position_mm=r.position_mm[order],
        position_u_mm=r.position_u_mm[order],
        wrong_p=r.wrong_p[order],
        flank_root_mm=r.flank_root_mm[order],
    )


def fit_edges(
    samples: tuple[Samples, Samples],
    cut_edges: tuple[int, ...],
    readings: tuple[EdgeReading, ...],
    slots_mm: Array,
    shape: CutShape,
    blade: Blade,
    drawn_below_mm: float | None = None,
) -> tuple[float, tuple[Array, Array]]:
    """Log-likelihood of both traces around the measured cuts, and how far each station is above what they leave.

    Roots above ``drawn_below_mm`` are taken for uncut places, by default those next to the full width: where every code
    is a cut, a shallow root is one too.
    """
    limit = blade.width.mm - UNCUT_MM if drawn_below_mm is None else drawn_below_mm
    total, off = 0.0, []
    for edge, sample in enumerate(samples):
        reading = readings[cut_edges.index(edge)] if edge in cut_edges else None
        if reading is None:
            likelihood, off_here = trace_log_likelihood(sample, np.empty(0), np.empty(0), shape, blade.width.mm)
        else:
            likelihood, off_here = _fit_edge(sample, reading, slots_mm, shape, blade.width.mm, limit)
        total += likelihood
        off.append(off_here)
    return total, (off[0], off[1])


def _fit_edge(
    sample: Samples, reading: EdgeReading, slots_mm: Array, shape: CutShape, width_mm: float, drawn_below_mm: float
) -> tuple[float, Array]:
    """Fit one cut edge; roots that may be read on another edge are also tried where their flanks end."""
    shape = replace(shape, half_flat_mm=reading.half_flat_mm)
    position = np.where(np.isfinite(reading.position_mm), reading.position_mm, slots_mm)
    doubtful = reading.wrong_p > WRONG_MIN_P
    choices = [reading.root_mm]
    if doubtful.any():
        choices.append(np.where(doubtful, reading.flank_root_mm, reading.root_mm))
    fits = []
    for measured in choices:
        root = np.array([_drawn_root(r, x, sample, shape) for r, x in zip(measured, position, strict=True)])
        cut = root < drawn_below_mm
        fits.append(trace_log_likelihood(sample, position[cut], root[cut], shape, width_mm))
    return max(fits, key=lambda fit: fit[0])


def _drawn_root(root: float, position: float, sample: Samples, shape: CutShape) -> float:
    """A root as measured; one that wasn't seen as its flanks tell it, and high above the blade where they don't."""
    if math.isfinite(root):
        return root
    near = np.abs(sample.x_mm - position) < FLANKS_MM
    if near.sum() < FLANKS_MIN:
        return math.inf
    flank = cut_heights(sample.x_mm[near], np.asarray(position), np.zeros(1), shape)
    return float(np.percentile(sample.height_mm[near] - flank, OWN_FLANK_PERCENTILE))


def _lowest(samples: tuple[Samples, Samples], off: tuple[Array, Array]) -> tuple[float, float]:
    """Station, and height over what the cuts leave, where an edge is most below it."""
    x, mm = np.concatenate([s.x_mm for s in samples]), np.concatenate(off)
    return (float(x[np.argmin(mm)]), float(mm.min())) if len(mm) else (0.0, 0.0)
