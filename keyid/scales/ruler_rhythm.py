"""Which unit a ruler's marks count, from the rhythm of their lengths.

On a millimetre scale every fifth and tenth mark is longer, on an inch scale every second, fourth, eighth.  Digits
aren't needed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

INCH_MM = 25.4
MISFIT_CAP = 16.0  # squared misfits count no more: dirt and digits that touch a mark
LEAST_SPREAD = 0.04  # of the usual length: ends are located no better
EXTRA_COST = 3.0  # log odds against each further class of marks that a rhythm has
ALIKE, ALIKE_COST = 0.1, 10.0  # of the usual length; log odds against a class hardly longer than the one below
SHORTER, LONGER = 0.04, 0.15  # of the usual length: no class is shorter than a lower one, and the highest is longer
DECIDED = 8.0  # log odds between the best two units; less is a guess


@dataclass(frozen=True)
class Rhythm:
    """A scale's division.

    Attributes
    ----------
    name : str
    step_mm : float
        From mark to mark.
    classes : tuple of int
        Every so manieth mark is longer, ascending.
    """

    name: str
    step_mm: float
    classes: tuple[int, ...]


RHYTHMS = (
    Rhythm("mm", 1.0, (5, 10)),
    Rhythm("half mm", 0.5, (2, 10, 20)),
    Rhythm("1/8 inch", INCH_MM / 8, (2, 4, 8)),
    Rhythm("1/16 inch", INCH_MM / 16, (2, 4, 8, 16)),
    Rhythm("1/32 inch", INCH_MM / 32, (2, 4, 8, 16, 32)),
    Rhythm("1/64 inch", INCH_MM / 64, (2, 4, 8, 16, 32, 64)),
)


def decide(number: NDArray[np.int_], length: Array) -> Rhythm | None:
    """The scale whose rhythm the marks' lengths keep; None where two units fit or none does.

    Parameters
    ----------
    number : ndarray of int, shape (n,)
    length : ndarray, shape (n,)
        In any unit.
    """
    relative = length / np.median(length)
    flat = _misfit(relative, np.zeros(len(length), int))
    cost = np.array(
        [min(_cost(number, relative, rhythm, phase) for phase in range(rhythm.classes[-1])) for rhythm in RHYTHMS]
    )
    order = np.argsort(cost)
    clear = cost[order[0]] + DECIDED < min(cost[order[1]], flat)
    return RHYTHMS[order[0]] if clear else None


def _cost(number: NDArray[np.int_], length: Array, rhythm: Rhythm, phase: int) -> float:
    """Log odds against a rhythm that starts at a phase."""
    level = np.zeros(len(number), int)
    for k, every in enumerate(rhythm.classes):
        level[(number + phase) % every == 0] = k + 1
    usual = [float(np.median(length[level == k])) for k in range(len(rhythm.classes) + 1) if np.any(level == k)]
    grows = np.diff(usual)
    if np.any(grows < -SHORTER) or usual[-1] - usual[0] < LONGER:
        return np.inf
    return _misfit(length, level) + EXTRA_COST * len(rhythm.classes) + ALIKE_COST * float(np.sum(grows < ALIKE))


def _misfit(length: Array, level: NDArray[np.int_]) -> float:
    """Half the capped squares of what lengths are off their class's usual one."""
    usual = np.array([np.median(length[level == k]) if np.any(level == k) else 0.0 for k in range(level.max() + 1)])
    off = length - usual[level]
    return float(0.5 * np.sum(np.minimum((off / LEAST_SPREAD) ** 2, MISFIT_CAP)))
