"""The traces explained without any profile: cuts wherever the edges show them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.blades.cuts import find_cuts
from keyid.moving_mean import moving_mean
from keyid.rankings.cutmodel import CutShape
from keyid.rankings.decoding import read_cuts
from keyid.rankings.evidence import STATION_MM, Samples
from keyid.rankings.fitting import fit_edges
from keyid.rankings.joint import levelled
from keyid.rankings.places import missing_log_probability
from keyid.rankings.unlisted import (
    uncut_log_probability,
    unlisted_position_log_likelihood,
    unlisted_root_log_likelihood,
)

Array = NDArray[np.float64]

SHAPES = tuple(CutShape(flat / 2, 1.0) for flat in (0.6, 1.0, 1.4))  # flats of 0.4 to 1.6 mm, flanks of 45 degrees
SAME_CUT_MM = 0.9  # cuts of one blade aren't closer; nearer ones are the same cut of both edges
LOOK_MM = 0.5  # a missed cut shows as an edge that is too low over that
LOW_MM = 0.08  # and by that
PITCH_MM = 3.2  # usual distance of neighbouring cuts
MORE_NATS = 8.0  # a wrong edge explained as a cut gains less
MORE_MAX = 4  # missed cuts sought one after another


def free_log_evidence(blade: Blade, samples: tuple[Samples, Samples]) -> float:
    """Log-density of the traces for an unlisted key with its cuts where they are found.

    Cuts without a peak beside them, as on a neighbour's flank, are added where the edges are lower than the others
    leave them, as long as that explains the traces better.
    """
    edges = (0, 1) if blade.edges == 2 else (0,)
    slots = _apart([cut.position.mm for cut in find_cuts(blade)])
    scored = [(*_evidence(blade, samples, edges, slots, shape), shape) for shape in SHAPES]
    best, off, shape = max(scored, key=lambda item: item[0])
    for _ in range(MORE_MAX):
        missed = _missed(samples, edges, off, slots)
        if missed is None:
            break
        grown = np.sort(np.append(slots, missed))
        evidence, off = _evidence(blade, samples, edges, grown, shape)
        if evidence <= best + MORE_NATS:
            break
        best, slots = evidence, grown
    return best


def _apart(positions: list[float]) -> Array:
    """Stations with those of one cut on both edges taken together."""
    found = np.sort(np.asarray(positions, dtype=float))
    if len(found) == 0:
        return found
    label = np.cumsum(np.concatenate([[0], np.diff(found) > SAME_CUT_MM])).astype(int)
    return np.asarray(np.bincount(label, found) / np.bincount(label))


def _evidence(
    blade: Blade, samples: tuple[Samples, Samples], edges: tuple[int, ...], slots: Array, shape: CutShape
) -> tuple[float, tuple[Array, Array]]:
    """Log-density of the traces with cuts at these slots, and how far each station is above what they leave."""
    if len(slots) == 0:
        return fit_edges(samples, (), (), slots, shape, blade)
    readings, _ = read_cuts(tuple((blade.a, blade.b)[edge] for edge in edges), slots, shape, blade.width.mm)
    fit, off = fit_edges(samples, edges, readings, slots, shape, blade)
    places = unlisted_position_log_likelihood(readings, None, blade.station_common_u_mm, blade.stretch_u)
    roots = unlisted_root_log_likelihood(levelled(readings, blade.width.mm), blade.width.mm)
    places += missing_log_probability(readings, blade.width.mm)
    return fit + places + roots + _uncut_log_probability(samples, edges, slots), off


def _uncut_log_probability(samples: tuple[Samples, Samples], edges: tuple[int, ...], slots: Array) -> float:
    """Log-probability that the rest of the blade's places, as many as go on it, are left uncut."""
    x = samples[edges[0]].x_mm
    pitch = float(np.median(np.diff(slots))) if len(slots) > 2 else PITCH_MM
    places = max(len(slots), int((x[-1] - x[0]) / pitch) if len(x) else 0)
    return uncut_log_probability(places - len(slots), 0, len(edges))


def _missed(
    samples: tuple[Samples, Samples], edges: tuple[int, ...], off: tuple[Array, Array], slots: Array
) -> float | None:
    """Station where the cut edges are lowest below what the cuts leave, clear of every slot; None where none is."""
    best_at, best = None, -LOW_MM
    for edge in edges:
        if len(off[edge]) == 0:
            continue
        low = moving_mean(off[edge], max(1, round(LOOK_MM / STATION_MM)))
        x = samples[edge].x_mm
        nearest = np.min(np.abs(x[:, None] - slots), axis=1, initial=math.inf)
        low = np.where(nearest > SAME_CUT_MM, low, 0.0)
        if low.min() < best:
            best_at, best = float(x[np.argmin(low)]), float(low.min())
    return best_at
