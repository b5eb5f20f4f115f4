"""The model of a key whose blade is in no profile file: any cuts, of any roots, mostly evenly spaced.

Many unlisted keys look like a listed one, so part of their width and length is drawn from the library.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.profiles.profile import Profile
from keyid.rankings.codes import root_log_likelihood
from keyid.rankings.decoding import UNCUT_MM, EdgeReading
from keyid.rankings.evidence import (
    LENGTH_SPAN_MM,
    WIDTH_SPAN_MM,
    blade_log_densities,
)
from keyid.rankings.joint import joint_roots
from keyid.rankings.places import place_log_likelihood

Array = NDArray[np.float64]

UNLISTED_P = 0.04  # share of keys that are in no file: a guess for a library that covers a shop's trade
LOOKALIKE_P = 0.4  # of those that have width and length of a listed blade
SAME_PLACES_P = 0.15  # of those whose cuts stand where a listed blade's do
EVEN_P = 0.7  # of those whose cuts are evenly spaced anywhere; the rest stand anywhere
FIRST_SPAN_MM = 4.0  # first cuts are 3 to 7 mm from the stop
PITCH_SPAN_MM = 2.5  # pitches are 2 to 4.5 mm
ANYWHERE_SPAN_MM = 2.5  # of an irregular cut between its neighbours
DEEPEST_SHARE = 0.45  # of the width left at the deepest roots
ROOT_STEP_MM = 0.02  # roots of any height, as a fine depth table
ROOT_SD_MM = 0.025  # as made
UNCUT_P = {1: 0.05, 2: 0.25}  # share of places left at full height, by the number of cut edges
STEPPED_P = 0.7  # share of depth tables with equal steps
STEPS_MM = np.arange(0.28, 0.72, 0.01)  # depth steps of flat keys (0.3 to 0.7 mm, common practice)
PHASES = np.arange(20) / 20  # of a step
TABLE_SPAN_MM = 2.8  # from the shallowest to the deepest root
WRONG_EDGE_SPAN_MM = 0.8  # over which a root read on another edge can be


def unlisted_root_log_likelihood(readings: tuple[EdgeReading, ...], width_mm: float) -> float:
    """Log-likelihood of the roots against roots of any height on each edge: uncut, of equal steps, or of any height."""
    roots = np.array([reading.root_mm for reading in readings])
    uncut = np.all(~(roots < width_mm - UNCUT_MM), axis=0)
    cut = tuple(replace(r, root_mm=np.where(uncut, np.nan, r.root_mm)) for r in readings)
    stepped = math.log(STEPPED_P) + _stepped_log_likelihood(cut)
    rest = np.logaddexp(stepped, math.log(1 - STEPPED_P) + _any_log_likelihood(cut, width_mm))
    return float(rest) + uncut_log_probability(int(uncut.sum()), int((~uncut).sum()), len(readings))


def uncut_log_probability(uncut: int, cut: int, edges: int) -> float:
    """Log-probability that of a blade's places so many are left at full height."""
    return uncut * math.log(UNCUT_P[edges]) + cut * math.log(1 - UNCUT_P[edges])


def _stepped_log_likelihood(readings: tuple[EdgeReading, ...]) -> float:
    """The roots' likelihood for a depth table of equal steps, its step and its first root being unknown.

    The table is endless: each root is compared with the nearest of its steps, and each code is as likely as if the
    codes covered a usual span.
    """
    root = np.array([reading.root_mm for reading in readings])
    u = np.array([reading.root_u_mm for reading in readings])
    seen = np.isfinite(root)
    any_seen = seen.any(axis=0)
    step = STEPS_MM[:, None, None, None]
    first = step * PHASES[:, None, None]
    joint, _ = joint_roots(readings)
    off = np.nan_to_num(joint) - first  # both edges carry the same codes
    off = np.where(seen, root - joint, 0.0) + off - step * np.rint(off / step)
    wrong_p = np.array([reading.wrong_p for reading in readings])
    each = np.where(seen, _root_term(off, np.where(seen, u, 1.0), wrong_p), 0.0).sum(axis=(2, 3))
    each -= any_seen.sum() * np.log(np.maximum(3.0, TABLE_SPAN_MM / STEPS_MM))[:, None]
    return float(np.logaddexp.reduce(each, axis=None) - math.log(each.size))


def _root_term(off: Array, u: Array, wrong_p: Array) -> Array:
    variance = u**2 + ROOT_SD_MM**2
    right = (1 - wrong_p) * u / np.sqrt(variance) * np.exp(-0.5 * off**2 / variance)
    return np.asarray(np.log(right + wrong_p * u * math.sqrt(2 * math.pi) / WRONG_EDGE_SPAN_MM))


def _any_log_likelihood(readings: tuple[EdgeReading, ...], width_mm: float) -> float:
    root = np.arange(DEEPEST_SHARE * width_mm, width_mm + ROOT_STEP_MM / 2, ROOT_STEP_MM)
    each = sum(root_log_likelihood(r, root[None, :], np.full((1, 1), ROOT_SD_MM)) for r in readings)
    return float(np.sum(np.logaddexp.reduce(np.asarray(each), axis=1) - math.log(len(root))))


def unlisted_position_log_likelihood(
    readings: tuple[EdgeReading, ...], listed_mm: Array | None, station_u_mm: float, stretch_u: float
) -> float:
    """Log-likelihood of the positions: where a listed blade's are, evenly spaced, or anywhere."""
    position = np.array([reading.position_mm for reading in readings])
    u = np.array([reading.position_u_mm for reading in readings])
    seen = np.isfinite(position)
    anywhere = float(np.sum(np.log(math.sqrt(2 * math.pi) * u[seen] / ANYWHERE_SPAN_MM)))
    even_p = EVEN_P if listed_mm is not None else EVEN_P + SAME_PLACES_P
    terms = [math.log(1 - EVEN_P - SAME_PLACES_P) + anywhere]
    fit = _even_fit(position, u)
    if fit is not None:
        even_mm, log_prior = fit
        terms.append(math.log(even_p) + log_prior + place_log_likelihood(readings, even_mm, 0.0, 0.0))
    if listed_mm is not None:
        there = place_log_likelihood(readings, listed_mm, station_u_mm, stretch_u)
        terms.append(math.log(SAME_PLACES_P) + there)
    return float(np.logaddexp.reduce(terms))


def _even_fit(position: Array, u: Array) -> tuple[Array, float] | None:
    """Evenly spaced places through the measured ones, and the log of the prior share of such a fit's volume."""
    seen = np.isfinite(position)
    number = np.tile(np.arange(position.shape[1]), (len(position), 1))
    if len(np.unique(number[seen])) < 3:
        return None
    weight = 1 / np.hypot(u[seen], 0.02)
    design = np.column_stack([np.ones(seen.sum()), number[seen]])
    for _ in range(3):
        first, pitch = np.linalg.lstsq(design * weight[:, None], position[seen] * weight, rcond=None)[0]
        off = np.abs(position[seen] - first - pitch * number[seen]) / np.hypot(u[seen], 0.02)
        weight = np.minimum(1.0, 2.0 / np.maximum(off, 1e-9)) / np.hypot(u[seen], 0.02)
    information = (design * weight[:, None]).T @ (design * weight[:, None])
    volume = 2 * math.pi / math.sqrt(max(np.linalg.det(information), 1e-9))
    log_prior = math.log(min(1.0, volume / (FIRST_SPAN_MM * PITCH_SPAN_MM)))
    return first + pitch * np.arange(position.shape[1]), log_prior


def unlisted_size_log_density(blade: Blade, profiles: tuple[Profile, ...]) -> float:
    """Log-density of width, length and stop: any, or those of a listed blade."""
    anything = math.log(0.5 / (WIDTH_SPAN_MM * LENGTH_SPAN_MM))
    if not profiles:
        return anything
    alike = math.log(0.5) + blade_log_densities(profiles, blade.width, blade.length)
    lookalike = float(np.logaddexp.reduce(alike)) - math.log(len(alike))
    return float(np.logaddexp(math.log(1 - LOOKALIKE_P) + anything, math.log(LOOKALIKE_P) + lookalike))
