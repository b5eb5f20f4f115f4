"""How likely a trace is where stretches of it can show another edge: a rim, a groove, a shadow, a scratch.

Along the blade the trace is either on the edge or astray (a hidden Markov chain of two states).  Another edge is smooth
too, so that a stretch astray costs about as much as a cut that nobody expected, however long it is: entering it is
unlikely, but each of its heights is near the one before.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STRAYS_PER_MM = 0.01  # one stretch astray in 100 mm of edge
STRAY_MEAN_MM = 1.5  # mean length of a stretch astray
STRAY_STEP = (0.6, 0.07)  # share and sd in mm: heights on another edge against the one 0.1 mm before
STRAY_FAR = (0.45, 0.35)  # in mm, and how much less likely heights are that lie further from the edge: rims are near it
STRAY_SPAN_MM = 3.0  # over which the rest, and a height after a gap, can be
GAP_MM = 0.35  # heights further apart don't tell of each other


def with_strays(x_mm: Array, height_mm: Array, weight: Array, right: Array, off_mm: Array) -> float:
    """Log-likelihood of heights that are on the edge or, over stretches, astray.

    Parameters
    ----------
    x_mm, height_mm : ndarray, shape (n,)
        Stations, ascending, and heights there.
    weight : ndarray, shape (n,)
        Number of independent samples that each station stands for.
    right : ndarray, shape (n,)
        Density of each height on the edge.
    off_mm : ndarray, shape (n,)
        How far each height is from the edge.
    """
    if len(x_mm) == 0:
        return 0.0
    stray = _stray_density(x_mm, height_mm) * np.where(np.abs(off_mm) > STRAY_FAR[0], STRAY_FAR[1], 1.0)
    log_emission = weight[:, None] * np.log(np.column_stack([right, stray]))
    return _chain(log_emission, np.diff(x_mm))


def _stray_density(x_mm: Array, height_mm: Array) -> Array:
    """Density of each height on another edge, given the one before."""
    share, sd = STRAY_STEP
    climb = np.diff(height_mm)
    near = share / (math.sqrt(2 * math.pi) * sd) * np.exp(-0.5 * (climb / sd) ** 2)
    near = np.where(np.diff(x_mm) < GAP_MM, near, share / STRAY_SPAN_MM)
    return np.concatenate([[1 / STRAY_SPAN_MM], near + (1 - share) / STRAY_SPAN_MM])


def _chain(log_emission: Array, step_mm: Array) -> float:
    """Sum over all ways of going on the edge and astray: a product of matrices, taken in pairs."""
    leave = -np.expm1(-STRAYS_PER_MM * step_mm)
    back = -np.expm1(-step_mm / STRAY_MEAN_MM)
    move = np.array([[1 - leave, leave], [back, 1 - back]]).transpose(2, 0, 1)
    astray = STRAYS_PER_MM * STRAY_MEAN_MM
    first = np.array([1 - astray, astray])
    top = log_emission.max(axis=1)
    emission = np.exp(log_emission - top[:, None])
    product = move * emission[1:, None, :]
    log_scale = float(top.sum())
    while len(product) > 1:
        odd = product[-1:] if len(product) % 2 else product[:0]
        paired = product[: len(product) - len(odd)]
        product = np.concatenate([paired[0::2] @ paired[1::2], odd])
        scale = product.max(axis=(1, 2), keepdims=True)
        log_scale += float(np.log(scale).sum())
        product = product / scale
    start = first * emission[0]
    return log_scale + math.log(float((start @ product[0]).sum() if len(product) else start.sum()))
