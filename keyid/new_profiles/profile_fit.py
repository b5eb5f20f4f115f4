"""A cutting system from keys whose bitting is known: positions and depths by generalised least squares.

What all cuts of one key share (where the stop was seen, the scale along the blade, the datum of heights) is carried as
covariance, so that several keys average it out and several cuts of one key don't.  Where evenly spaced positions or
evenly stepped depths explain the measurements, they are taken: fewer parameters, smaller uncertainty, and depths that
no key has can be told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from keyid.length import Length

Array = NDArray[np.float64]

EVEN_P = 0.01  # evenly spaced values are given up when chance makes them fit as badly less often than this
ROOT_MADE_SD_MM = 0.025  # roots as made scatter by that (a trade limit of 0.05 mm is two standard deviations)
POSITION_MADE_SD_MM = 0.02  # likewise positions
LEAST_U_MM = 0.005  # nothing is known better than a caliper's last digit allows


@dataclass(frozen=True)
class KnownKey:
    """The measured cuts of a key whose bitting is known, in the order of position from the stop.

    Attributes
    ----------
    codes : tuple of str
        Of the cuts that could be read.
    roots_mm, roots_u_mm : tuple of float
        Their root heights, and what is uncertain about each by itself.
    places : tuple of int
        Which cuts' positions were measured, counted from 0.
    positions_mm, positions_u_mm : tuple of float
        Those positions, and what is uncertain about each by itself.
    root_common_u_mm, position_common_u_mm : float
        What all roots, and all positions, of this key are off by together.
    stretch_u : float
        Relative standard uncertainty of lengths along the blade, common to this key.
    """

    codes: tuple[str, ...]
    roots_mm: tuple[float, ...]
    roots_u_mm: tuple[float, ...]
    places: tuple[int, ...] = ()
    positions_mm: tuple[float, ...] = ()
    positions_u_mm: tuple[float, ...] = ()
    root_common_u_mm: float = 0.0
    position_common_u_mm: float = 0.0
    stretch_u: float = 0.0


@dataclass(frozen=True)
class Fitted:
    """Fitted values, whether they are evenly spaced, and how likely chance fits as badly (chi squared's tail)."""

    values: tuple[Length, ...]
    even: bool
    p: float


def fit_positions(keys: Sequence[KnownKey], count: int) -> Fitted | None:
    """Fit where ``count`` cuts stand; None when too few were measured to tell all of them."""
    places = np.array([place for key in keys for place in key.places])
    covariance = _block_diagonal([_position_covariance(key) for key in keys])
    return _fit(np.concatenate([key.positions_mm for key in keys]), covariance, places, count)


def fit_depths(keys: Sequence[KnownKey], codes: Sequence[str]) -> tuple[tuple[str, ...], Fitted] | None:
    """Fit the root height of each code.

    Parameters
    ----------
    keys : sequence of KnownKey
    codes : sequence of str
        All codes of the system, evenly stepped from the shallowest down where they are.

    Returns
    -------
    codes : tuple of str
        Those that could be told: all when even steps explain what was measured, else those of the keys.
    fitted : Fitted
    """
    order = {code: rank for rank, code in enumerate(codes)}
    ranks = np.array([order[code] for key in keys for code in key.codes])
    measured = np.concatenate([key.roots_mm for key in keys])
    covariance = _block_diagonal([_root_covariance(key) for key in keys])
    fitted = _fit(measured, covariance, ranks, len(codes))
    if fitted is not None:
        return tuple(codes), fitted
    seen, ranks = np.unique(ranks, return_inverse=True)
    fitted = _fit(measured, covariance, ranks, len(seen))
    return None if fitted is None else (tuple(codes[rank] for rank in seen), fitted)


def _fit(measured: Array, covariance: Array, index: NDArray[np.int64], count: int) -> Fitted | None:
    """Fit ``count`` values, of which ``index`` says which one each measurement is of.

    They are taken to lie on a line when that explains the measurements; else each is fitted by itself, which needs
    all of them to be measured, and some twice.
    """
    line = np.column_stack([np.ones(count), np.arange(count, dtype=float)])
    if len(measured) > 2 and len(set(index)) > 1:
        ends, spread, misfit = _least_squares(measured, covariance, line[index])
        p = float(chi2.sf(misfit, len(measured) - 2))
        if p > EVEN_P:
            return Fitted(_lengths(line @ ends, line @ spread @ line.T), even=True, p=p)
    freedom = len(measured) - count
    if set(index) != set(range(count)) or freedom < 1:
        return None
    values, spread, misfit = _least_squares(measured, covariance, np.eye(count)[index])
    birge = max(1.0, misfit / freedom)  # R. T. Birge, Physical Review 40 (1932) 207
    return Fitted(_lengths(values, spread * birge), even=False, p=float(chi2.sf(misfit, freedom)))


def _least_squares(measured: Array, covariance: Array, design: Array) -> tuple[Array, Array, float]:
    """Generalised least squares: the values, their covariance, and chi squared."""
    weight = np.linalg.inv(covariance)
    spread = np.linalg.inv(design.T @ weight @ design)
    values = spread @ design.T @ weight @ measured
    off = measured - design @ values
    return np.asarray(values), np.asarray(spread), float(off @ weight @ off)


def _lengths(values: Array, spread: Array) -> tuple[Length, ...]:
    us = np.sqrt(np.diag(spread))
    return tuple(Length(float(value), max(float(u), LEAST_U_MM)) for value, u in zip(values, us, strict=True))


def _position_covariance(key: KnownKey) -> Array:
    x = np.asarray(key.positions_mm)
    own = np.diag(np.square(key.positions_u_mm) + POSITION_MADE_SD_MM**2)
    return np.asarray(own + key.position_common_u_mm**2 + key.stretch_u**2 * np.outer(x, x))


def _root_covariance(key: KnownKey) -> Array:
    own = np.diag(np.square(key.roots_u_mm) + ROOT_MADE_SD_MM**2)
    return np.asarray(own + key.root_common_u_mm**2)


def _block_diagonal(blocks: Sequence[Array]) -> Array:
    whole = np.zeros((sum(map(len, blocks)),) * 2)
    start = 0
    for block in blocks:
        whole[start : start + len(block), start : start + len(block)] = block
        start += len(block)
    return whole
