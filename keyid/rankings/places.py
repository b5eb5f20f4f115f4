"""How likely the measured positions are, given where the cuts should be: shift, stretch and a misplaced stop."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from keyid.length import Length
from keyid.rankings.decoding import EdgeReading
from keyid.rankings.evidence import LENGTH_SD_MM, log_length

Array = NDArray[np.float64]

POSITION_SD_MM = 0.02  # positions as made (trade limit of 0.05 mm, less for machines by code)
SHIFT_SD_MM = 0.02  # of all cuts of a key made by code
COPY = (0.12, 0.25)  # share and sd in mm of copies made off their stop
WRONG_STOP = (0.05, 0.6)  # share and sd in mm of stops seen at a wrong place: length and positions are off alike
WRONG_FLANK_P = 0.04  # share of positions spoiled by a wrong edge
WRONG_FLANK_SD_MM = 0.3
SHIFT_SPAN_MM = 1.2  # cuts are not found further off
NEAR_MM = (0.2, 0.0125)  # span and step of the nodes around what fits best, as it moves the farthest cut
LINE_ROUNDS = 4
STRETCH_NODES = np.linspace(-4.0, 4.0, 9)
STRETCH_TAIL = (0.15, 2.5)  # share and factor: a slope or lens that the budget leaves out
CLEAR_CUT_MM = 0.35  # a deeper cut has flanks
MISSING_P = 0.08  # share of cuts whose flanks can't be read
LEAST = 1e-12  # keeps the log of a density finite


def place_log_likelihood(
    readings: tuple[EdgeReading, ...],
    nominal_mm: Array,
    station_u_mm: float,
    stretch_u: float,
    length_off: Length | None = None,
    nominal_sd_mm: tuple[float, ...] = (),
) -> float:
    """Log-likelihood of the measured positions against positions anywhere, given where they should be.

    Like `keyid.rankings.codes.root_log_likelihood`, each is a ratio of densities times its volume.  The shift of all
    cuts and the stretch of the axis are integrated out on a grid.

    Parameters
    ----------
    readings : tuple of EdgeReading
    nominal_mm : ndarray, shape (cuts,)
    station_u_mm, stretch_u : float
        Standard uncertainties of the stop's station and, relative, of lengths along the axis.
    length_off : Length, optional
        Measured minus nominal length of a blade with a shoulder.  Its log-density is then part of what is returned: a
        stop that was seen at a wrong place puts length and positions off together.
    nominal_sd_mm : tuple of float, optional
        Standard uncertainties of ``nominal_mm``, of a blade that was itself measured.
    """
    position = np.concatenate([reading.position_mm for reading in readings])
    u = np.concatenate([reading.position_u_mm for reading in readings])
    seen = np.isfinite(position)
    nominal = np.tile(nominal_mm, len(readings))[seen]
    made = np.hypot(POSITION_SD_MM, np.tile(nominal_sd_mm, len(readings))[seen] if nominal_sd_mm else 0.0)
    at, slope = _line(nominal, position[seen] - nominal, np.hypot(u[seen], made), stretch_u)
    shift = _nodes(at, np.linspace(-SHIFT_SPAN_MM, SHIFT_SPAN_MM, 33), 1.0)
    lever = float(nominal.max()) * stretch_u if seen.any() else 0.0
    stretch = _nodes(slope / stretch_u, STRETCH_NODES, lever) if lever > NEAR_MM[1] else STRETCH_NODES
    expected = shift[:, None, None] + (1 + stretch[None, :, None] * stretch_u) * nominal
    log_each = _position_term(position[seen] - expected, u[seen], made).sum(axis=2)
    log_prior = np.log(_shift_density(shift, station_u_mm, length_off) * np.gradient(shift) + LEAST)
    log_stretch = np.log(_stretch_density(stretch) * np.gradient(stretch) + LEAST)
    return float(np.logaddexp.reduce(log_each + log_prior[:, None] + log_stretch, axis=None))


def _line(x_mm: Array, off_mm: Array, sd_mm: Array, slope_u: float) -> tuple[float, float]:
    """Level and slope of a line through positions' differences of which some are astray (Cauchy weights).

    The slope is drawn to zero by its own uncertainty, the tail's.
    """
    if len(x_mm) == 0:
        return 0.0, 0.0
    at, slope = float(np.median(off_mm)), 0.0
    drawn = 1 / max(STRETCH_TAIL[1] * slope_u, LEAST) ** 2
    for _ in range(LINE_ROUNDS):
        weight = 1 / (sd_mm**2 + ((off_mm - at - slope * x_mm) / 2) ** 2)
        w, wx, wxx = weight.sum(), weight @ x_mm, weight @ x_mm**2 + drawn
        wy, wxy = weight @ off_mm, weight @ (x_mm * off_mm)
        slope = float((w * wxy - wx * wy) / (w * wxx - wx**2))
        at = float((wy - slope * wx) / w)
    return at, slope


def _nodes(likely: float, coarse: Array, lever_mm: float) -> Array:
    """Nodes to integrate over: all coarsely, the likely ones finely; ``lever_mm`` is what one unit moves a cut by."""
    span, step = (mm / lever_mm for mm in NEAR_MM)
    near = likely + np.arange(-span, span + step / 2, step)
    return np.sort(np.concatenate([near, coarse[np.abs(coarse - likely) > span + step / 2]]))


def _shift_density(shift: Array, station_u_mm: float, length_off: Length | None) -> Array:
    """Prior density of the shift: a key by code, a copy off its stop, or a stop that was seen at a wrong place."""
    main, copy = math.hypot(station_u_mm, SHIFT_SD_MM), math.hypot(station_u_mm, COPY[1])
    right = (1 - COPY[0]) * _normal(shift, main) + COPY[0] * _normal(shift, copy)
    if length_off is None:
        return right
    share, sd = WRONG_STOP
    length_sd = math.hypot(length_off.u_mm, LENGTH_SD_MM)
    wrong = _normal(shift, sd) * _normal(length_off.mm - shift, length_sd)
    return np.asarray((1 - share) * right * math.exp(log_length(length_off)) + share * wrong)


def _normal(x: Array, sd: float) -> Array:
    return np.asarray(np.exp(-0.5 * (x / sd) ** 2) / (math.sqrt(2 * math.pi) * sd))


def _stretch_density(stretch: Array) -> Array:
    """Prior density of the stretch in units of its uncertainty."""
    share, factor = STRETCH_TAIL
    return (1 - share) * _normal(stretch, 1.0) + share * _normal(stretch, factor)


def _position_term(off: Array, u: Array, made_sd: Array) -> Array:
    variance = u**2 + made_sd**2
    right = (1 - WRONG_FLANK_P) * u / np.sqrt(variance) * np.exp(-0.5 * off**2 / variance)
    wide = u**2 + WRONG_FLANK_SD_MM**2
    wrong = WRONG_FLANK_P * u / np.sqrt(wide) * np.exp(-0.5 * off**2 / wide)
    return np.asarray(np.log(right + wrong + LEAST))


def missing_log_probability(readings: tuple[EdgeReading, ...], width_mm: float) -> float:
    """Log-probability of the clear cuts that show no position: cuts that are where they should be seldom do so."""
    clear = np.array([reading.root_mm < width_mm - CLEAR_CUT_MM for reading in readings])
    missing = clear & np.array([np.isnan(reading.position_mm) for reading in readings])
    return float(missing.sum() * math.log(MISSING_P) + (clear & ~missing).sum() * math.log(1 - MISSING_P))
