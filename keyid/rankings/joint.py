"""One estimate of each cut from all edges that carry it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from keyid.rankings.decoding import UNCUT_MM, WRONG_EDGE_P, WRONG_EDGE_SD_MM, EdgeReading

Array = NDArray[np.float64]

LEVEL_MIN_CUTS = 3  # roots read on both edges: fewer don't tell a line's error from a root's
LEVEL_MAX_MM = 0.4  # further apart they are not the same cuts


def joint_roots(readings: tuple[EdgeReading, ...]) -> tuple[Array, Array]:
    """Root of each cut and its standard uncertainty, NaN where no edge was read.

    A root whose flanks show that another edge was read is less sure by how far such edges are off.
    """
    root = np.array([reading.root_mm for reading in readings])
    u = np.array([reading.root_u_mm for reading in readings])
    doubt = np.array([np.maximum(reading.wrong_p - WRONG_EDGE_P, 0.0) for reading in readings])
    return _weighted_mean(root, np.sqrt(u**2 + doubt * WRONG_EDGE_SD_MM**2))


def joint_positions(readings: tuple[EdgeReading, ...]) -> tuple[Array, Array]:
    """Position of each cut and its standard uncertainty, NaN where no edge was read."""
    position = np.array([reading.position_mm for reading in readings])
    return _weighted_mean(position, np.array([reading.position_u_mm for reading in readings]))


def _weighted_mean(value: Array, u: Array) -> tuple[Array, Array]:
    """Inverse-variance mean over the edges (rows) and its standard uncertainty.

    Where the edges disagree by more than their uncertainties, the uncertainty grows with them (Birge's ratio: R. T.
    Birge, "The calculation of errors by the method of least squares", Physical Review 40 (1932) 207).
    """
    seen = np.isfinite(value) & np.isfinite(u)
    weight = np.where(seen, 1 / np.where(seen, u, 1.0) ** 2, 0.0)
    total = weight.sum(axis=0)
    total = np.where(total > 0, total, np.nan)
    mean = (weight * np.where(seen, value, 0.0)).sum(axis=0) / total
    chi2 = (weight * np.where(seen, value - mean, 0.0) ** 2).sum(axis=0)
    freedom = np.maximum(seen.sum(axis=0) - 1, 1)
    return mean, np.sqrt(np.maximum(1.0, chi2 / freedom) / total)


def levelled(readings: tuple[EdgeReading, ...], width_mm: float) -> tuple[EdgeReading, ...]:
    """Take off what all roots of one edge are higher than the same roots on the other.

    Each edge's roots are measured over the other edge's uncut line, and the two lines err on their own.  Places at full
    height lie on both lines and stay where they are.
    """
    if len(readings) != 2:
        return readings
    cut = np.all([r.root_mm < width_mm - UNCUT_MM for r in readings], axis=0)
    off = (readings[0].root_mm - readings[1].root_mm)[cut]
    if len(off) < LEVEL_MIN_CUTS:
        return readings
    half = float(np.median(off)) / 2
    if abs(half) > LEVEL_MAX_MM / 2:
        return readings
    return tuple(
        replace(r, root_mm=np.where(r.root_mm < width_mm - UNCUT_MM, r.root_mm - sign * half, r.root_mm))
        for r, sign in zip(readings, (1, -1), strict=True)
    )
