"""The blade's visible face, reduced to the lines that run along it and to where it was seen from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Viewpoint:
    """Where the camera stood over the blade, in mm of the blade frame.

    Attributes
    ----------
    x_mm, height_mm : float
        Station and height (above edge b's uncut line) of the foot of its perpendicular on the upper face's plane.
    above_mm : float
        Its distance from that plane.
    """

    x_mm: float
    height_mm: float
    above_mm: float

    def shift(self, x_mm: Array, height_mm: Array, depth_mm: Array) -> tuple[Array, Array]:
        """How far, along and across, points so deep below the face are seen from where they stand; each (n,), mm."""
        part = depth_mm / (self.above_mm + depth_mm)
        return part * (self.x_mm - x_mm), part * (self.height_mm - height_mm)


STRAIGHT_ABOVE = Viewpoint(0.0, 0.0, math.inf)


@dataclass(frozen=True)
class FaceLine:
    """One line along the face.

    Attributes
    ----------
    height_mm : float
        Mean distance from edge b's uncut line.
    u_mm : float
        Standard uncertainty of it against the other lines; the datum's own is the blade's.
    z : float
        Mean gradient across the line over its uncertainty: negative where the face gets darker away from edge b.
    """

    height_mm: float
    u_mm: float
    z: float


@dataclass(frozen=True)
class FaceLines:
    """All lines of the visible face.

    Attributes
    ----------
    lines : tuple of FaceLine
        Ascending.
    low_mm, high_mm : float
        Part of the face, as heights above edge b's uncut line, that enough of the blade shows.
    parallax : float
        How far a point below the face is seen displaced away from edge b, per mm of depth.
    edges : int or None
        How many edges are cut, as in the blade.
    a_is_upper : bool
        Edge a is the upper one with the tip turned right.
    width_mm : float
        Distance of the two uncut lines.
    datum_u_mm : float
        Standard uncertainty common to all heights.
    viewpoint : Viewpoint
        Where the face was seen from.
    """

    lines: tuple[FaceLine, ...]
    low_mm: float
    high_mm: float
    parallax: float
    edges: Literal[1, 2] | None
    a_is_upper: bool
    width_mm: float
    datum_u_mm: float
    viewpoint: Viewpoint = STRAIGHT_ABOVE
