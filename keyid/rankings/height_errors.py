"""What all root heights of a key share: the error of the lines that they are measured from, and the wear.

The blade's width tells of the error, because it is measured between the same lines.  For each cut edge heights run from
the other edge's uncut line, so that on a two-edged key the mean of both edges errs by half of what the two lines do
together, and the width by all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.length import Length
from keyid.profiles.profile import Profile

Array = NDArray[np.float64]

WEAR_NODES_MM = (0.0, 0.01, 0.02, 0.03, 0.045, 0.06, 0.08, 0.1, 0.12, 0.14, 0.17, 0.2)
WEAR_SCALES = ((0.6, 0.02), (0.4, 0.09))  # share and half-normal scale in mm: keys in fair state, and worn ones
NODES_U = np.concatenate([[-5.0, -4.0], np.linspace(-3.2, 3.2, 15), [4.0, 5.0]])
ASTRAY_NODES_MM = np.linspace(-0.6, 0.6, 13)
MORE = (0.2, 2.5)  # share and factor: one budget in five leaves out something greater
WIDTH_SD_MM = 0.025  # blades of one profile differ by that (trade limit of about 0.05 mm)
OWN_MIN_MM = 0.02  # what the width errs on its own is at least that
WIDTH_TAIL = (0.1, 0.12)  # share and sd in mm of widths with an error of their own: a chamfer, a shadow, wear
WIDTH_ASTRAY = (0.03, 0.8)  # share and sd in mm of widths to a wrong line: a root's flat, a scratch, a shadow
HEIGHTS_ASTRAY = (0.03, 0.25)  # share and sd in mm of heights over a wrong line, or to a wall's foot all along
WIDTH_ALIKE = 0.5  # of them: the width is off by as much; of the others it is as wrong as above
LAND_MAX_U = 3.2  # a width that is off by more was not measured at the uncut places
LEAST = 1e-300  # keeps the log of a density finite


@dataclass(frozen=True)
class HeightErrors:
    """Grid of what all cuts share; each of shape (nodes,).

    Attributes
    ----------
    height_mm : ndarray
        Error common to the heights of all roots.
    land_mm : ndarray
        How far places at full height are from the profile's: they are where the width was measured.
    wear_mm : ndarray
        Metal worn off all roots.
    weight : ndarray
        Prior density times the density of the measured width.
    """

    height_mm: Array
    land_mm: Array
    wear_mm: Array
    weight: Array


def height_errors(profile: Profile, width: Length, height_u_mm: float, edges: int) -> HeightErrors:
    """Return the grid of common errors and wear.

    Parameters
    ----------
    profile : Profile
    width : Length
        Across the uncut blade, as measured.
    height_u_mm : float
        Standard uncertainty common to all heights of an edge.
    edges : int
        How many edges the heights are the mean of.
    """
    off = width.mm - profile.width_mm
    height = np.union1d(NODES_U * height_u_mm, ASTRAY_NODES_MM)
    density = _density(height, off, width.u_mm, height_u_mm, edges, width_sd_mm(profile)) * _cells(height)
    wear = np.asarray(WEAR_NODES_MM)
    worn = sum(p / scale * np.exp(-0.5 * (wear / scale) ** 2) for p, scale in WEAR_SCALES) * _cells(wear)
    most = LAND_MAX_U * math.hypot(width.u_mm, width_sd_mm(profile))
    land = np.full(len(height), off) if abs(off) <= most else np.clip(height, -most, most)
    nodes = len(wear)
    weight = np.outer(density, worn / worn.sum()).ravel()
    return HeightErrors(np.repeat(height, nodes), np.repeat(land, nodes), np.tile(wear, len(height)), weight)


def width_sd_mm(profile: Profile) -> float:
    """How much blades differ in width from the profile's, and how unsure that is."""
    return math.hypot(WIDTH_SD_MM, profile.width_sd_mm or 0.0)


def _density(height: Array, off: float, width_u: float, height_u: float, edges: int, made_sd: float) -> Array:
    """Density of each common error together with the measured width's difference.

    Both err as stated, or the width has an error of its own, or it is to a wrong line, or the heights are too: a wrong
    rim of either edge moves both alike.
    """
    (more, factor), (share, tail) = MORE, WIDTH_TAIL
    (width_astray, wide), (astray, high) = WIDTH_ASTRAY, HEIGHTS_ASTRAY
    mean_u, slope, own = _together(width_u, height_u, edges)
    own = math.hypot(own, made_sd)
    stated = (1 - more) * _normal(height, mean_u) + more * _normal(height, mean_u * factor)
    near = (1 - share) * _normal(off - slope * height, own)
    far = share * _normal(np.asarray(off), math.sqrt(own**2 + width_u**2 + tail**2))
    apart = _normal(np.asarray(off), math.hypot(own, wide))
    right = (1 - width_astray) * (near + far) + width_astray * apart
    wrong = WIDTH_ALIKE * _normal(off - slope * height, own) + (1 - WIDTH_ALIKE) * apart
    return np.asarray((1 - astray) * stated * right + astray * _normal(height, high) * wrong + LEAST)


def _together(width_u: float, height_u: float, edges: int) -> tuple[float, float, float]:
    """How heights and width err together: u of the heights, the width's error per mm of theirs, and u of its own.

    The width errs by both lines, the heights of an edge by one, their mean over two edges by half of both; what is left
    (rims, scale) is common to all.
    """
    own2 = max(width_u**2 - height_u**2, OWN_MIN_MM**2)
    if edges == 1:
        return height_u, 1.0, math.sqrt(own2)
    mean2 = max(height_u**2 - own2 / 2, height_u**2 / 4)
    slope = height_u**2 / mean2
    return math.sqrt(mean2), slope, math.sqrt(max(width_u**2 - slope * height_u**2, OWN_MIN_MM**2))


def _normal(off: Array, sd: float) -> Array:
    return np.asarray(np.exp(-0.5 * (off / sd) ** 2) / (math.sqrt(2 * math.pi) * sd))


def _cells(nodes: Array) -> Array:
    """Length that each node stands for, ends counted half."""
    return np.diff(np.concatenate([nodes[:1], (nodes[1:] + nodes[:-1]) / 2, nodes[-1:]]))
