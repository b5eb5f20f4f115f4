"""The ideal edge of a cut blade: a trapezoid per cut, where the metal left is the lowest of them and the uncut line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.profiles.profile import Profile

Array = NDArray[np.float64]

FLAT_MM = 0.8  # where a profile doesn't say: flats of flat keys are 0.4 to 1.6 mm (common practice, no source)
ANGLE_DEG = 90.0  # where a profile doesn't say: cutters of 78 to 100 degrees are common, 90 the most
FULL_HEIGHT_MM = 0.05  # a code whose root is that near to the full width cuts nothing


@dataclass(frozen=True)
class CutShape:
    """What the cutter leaves.

    Attributes
    ----------
    half_flat_mm : float
        Half the length of the root's flat.
    rise : float
        Height gained per mm along a flank.
    """

    half_flat_mm: float
    rise: float


def shape_of(profile: Profile) -> CutShape:
    """Return the shape of a profile's cuts; common values where the file leaves them out."""
    flat = FLAT_MM if profile.flat_mm is None else profile.flat_mm
    angle = ANGLE_DEG if profile.angle_deg is None else profile.angle_deg
    return CutShape(flat / 2, 1 / math.tan(math.radians(angle / 2)))


def full_height(profile: Profile) -> NDArray[np.bool_]:
    """Tell for each code of the profile whether it leaves the blade uncut."""
    return np.asarray(profile.roots_mm) > profile.width_mm - FULL_HEIGHT_MM


def cut_heights(x_mm: Array, positions_mm: Array, roots_mm: Array, shape: CutShape) -> Array:
    """Height of each cut's trapezoid, going on beyond the blade.

    Parameters
    ----------
    x_mm : ndarray, shape (..., n)
    positions_mm, roots_mm : ndarray
        Broadcast against ``x_mm``.

    Returns
    -------
    ndarray
        Heights in mm, of the broadcast shape.
    """
    return np.asarray(roots_mm + np.maximum(0.0, np.abs(x_mm - positions_mm) - shape.half_flat_mm) * shape.rise)


def ideal_edge(
    x_mm: Array, positions_mm: Array, roots_mm: Array, shape: CutShape, width_mm: float
) -> tuple[Array, Array]:
    """Return the edge that cuts leave, and how far each station is from the next peak.

    Parameters
    ----------
    x_mm : ndarray, shape (n,)
        Stations, ascending.
    positions_mm, roots_mm : ndarray, shape (cuts,)
        Root centres and heights.

    Returns
    -------
    height_mm, peak_mm : ndarray, shape (n,)
        Height of the edge, and distance to the nearest corner that stands out, where wear takes metal first.
    """
    pieces = np.full((len(positions_mm) + 1, len(x_mm)), width_mm)
    pieces[1:] = cut_heights(x_mm, positions_mm[:, None], roots_mm[:, None], shape)
    owner = np.argmin(pieces, axis=0)
    corners = x_mm[1:][np.diff(owner) != 0]
    if len(corners) == 0:
        return pieces.min(axis=0), np.full(len(x_mm), np.inf)
    after = np.searchsorted(corners, x_mm)
    right = corners[np.minimum(after, len(corners) - 1)]
    left = corners[np.maximum(after - 1, 0)]
    return pieces.min(axis=0), np.minimum(np.abs(right - x_mm), np.abs(x_mm - left))
