"""A first guess of where the cuts of keys with known bittings stand and how deep they go.

Which codes a key has tells which cuts are equally deep, and by how many steps others differ.  So for each first cut
and spacing the heights found there must lie on one line over the depths' ranks, whatever the step: the pair that fits
best is the draft.  Only systems with one spacing and one step are found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace

Array = NDArray[np.float64]

FIRST_MM = np.arange(
    1.0, 10.0, 0.1
)  # first cuts of flat keys stand 2 to 8 mm from the stop (common practice, no source)
SPACING_MM = np.arange(1.8, 5.5, 0.04)  # spacings are 2 to 5 mm (common practice, no source)
END_MM = 1.0  # no cut stands nearer to the other end
ROOT_HALF_MM = 0.3  # a root's flat reaches that far from its centre; its lowest height is taken
SLOPE_WEIGHT = 0.5  # of a slope across the root against misfit: a place on a flank can fit by chance
MOST_MM = 0.4  # a height further off is a wrong edge: how far doesn't matter
LEAST_STEP_MM = 0.12  # depth codes are further apart
STEP_ROUNDS = 3  # reweighting of the line against wrong edges


@dataclass(frozen=True)
class Draft:
    """A cutting system in four numbers, in mm; ``misfit_mm`` is how far heights are off it on average."""

    first_mm: float
    spacing_mm: float
    highest_mm: float
    step_mm: float
    misfit_mm: float


def draft_cutting(keys: Sequence[tuple[Blade, tuple[int, ...]]]) -> Draft:
    """Find the first cut, spacing, highest root and depth step that explain some keys.

    Parameters
    ----------
    keys : sequence of (Blade, ranks)
        Each measured blade with the rank of each cut's code among all codes, from the stop; all with the same number
        of cuts.
    """
    count = len(keys[0][1])
    first, spacing = (grid.ravel() for grid in np.meshgrid(FIRST_MM, SPACING_MM, indexing="ij"))
    reach = min(float(blade.a.x_mm[-1]) for blade, _ in keys) - END_MM
    inside = first + spacing * (count - 1) <= reach
    first, spacing = first[inside], spacing[inside]
    if not len(first):  # a blade too short for so many cuts: leave it to what is measured there
        first, spacing = FIRST_MM[:1], SPACING_MM[:1]
    places = first[:, None] + spacing[:, None] * np.arange(count)
    heights, slopes, ranks = [], [], []
    for blade, codes in keys:
        for trace in (blade.a, blade.b) if blade.edges == 2 else (blade.a,):
            height, slope = _roots_at(trace, places)
            heights.append(np.minimum(height, blade.width.mm))
            slopes.append(slope)
            ranks.append(codes)
    return _best(first, spacing, np.hstack(heights), np.hstack(slopes), np.concatenate(ranks).astype(float))


def _roots_at(trace: EdgeTrace, places: Array) -> tuple[Array, Array]:
    """Lowest height near each place, and how much the edge climbs across it."""
    seen = np.isfinite(trace.height_mm)
    x, height = trace.x_mm[seen], trace.height_mm[seen]
    offsets = (-ROOT_HALF_MM, 0.0, ROOT_HALF_MM)
    left, middle, right = (np.interp(places + offset, x, height) for offset in offsets)
    return np.minimum(np.minimum(left, middle), right), np.abs(right - left)


def _best(first: Array, spacing: Array, heights: Array, slopes: Array, ranks: Array) -> Draft:
    """The grid point whose heights lie best on a line over the ranks; rows of ``heights`` are grid points."""
    weight = np.ones_like(heights)
    for _ in range(STEP_ROUNDS):
        highest, step = _lines(heights, ranks, weight)
        off = heights - (highest[:, None] - step[:, None] * ranks)
        weight = 1 / (1 + (off / (MOST_MM / 4)) ** 2)
    misfit = np.minimum(np.abs(off), MOST_MM).mean(axis=1)
    score = misfit + SLOPE_WEIGHT * np.minimum(slopes, MOST_MM).mean(axis=1)
    score[step < LEAST_STEP_MM] = np.inf
    best = int(np.argmin(score))
    return Draft(*(float(values[best]) for values in (first, spacing, highest, step, misfit)))


def _lines(heights: Array, ranks: Array, weight: Array) -> tuple[Array, Array]:
    """Weighted line over the ranks for each row: height at rank 0, and fall per rank."""
    total = weight.sum(axis=1)
    mean_rank = (weight * ranks).sum(axis=1) / total
    mean = (weight * heights).sum(axis=1) / total
    centred = ranks - mean_rank[:, None]
    spread = (weight * centred**2).sum(axis=1)
    fall = -(weight * centred * heights).sum(axis=1) / np.maximum(spread, 1e-9)
    return mean + fall * mean_rank, fall
