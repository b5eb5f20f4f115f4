"""The ID-1 card: its size, and its outline in the world frame.

Lengths are those of ISO/IEC 7810 (second-hand: several pages that quote it agree), in mm.  The frame is the camera
module's: centre at x = y = 0, long side along x, underside on the table z = 0, the outline that one sees from above at
z = thickness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

WIDTH_MM = 85.60
HEIGHT_MM = 53.98
THICKNESS_MM = 0.76
RADIUS_MM = 3.18
RADIUS_LIMIT_MM = 0.30  # more or less

# Limits of an unused card (from memory of ISO/IEC 7810:2003, 5.1.1) taken as rectangular: half width / sqrt(3).
WIDTH_U_MM = 0.25 / 2 / np.sqrt(3)
HEIGHT_U_MM = 0.11 / 2 / np.sqrt(3)
THICKNESS_U_MM = 0.08 / np.sqrt(3)

# The four sides in the order of walking round (counter-clockwise seen from above): outward normal and direction of
# walking, in the card's own units of half width and half height.
SIDE_NORMALS = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
SIDE_TANGENTS = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])


@dataclass(frozen=True)
class CardSize:
    """The lengths of one card, in mm."""

    width_mm: float = WIDTH_MM
    height_mm: float = HEIGHT_MM
    thickness_mm: float = THICKNESS_MM


NOMINAL = CardSize()


def corners_mm(size: CardSize = NOMINAL) -> Array:
    """Virtual sharp corners of the top face, shape (4, 3); corner k begins side k."""
    half = np.array([size.width_mm, size.height_mm]) / 2
    plan = (SIDE_NORMALS - SIDE_TANGENTS) * half
    return np.column_stack([plan, np.full(4, size.thickness_mm)])


def side_points_mm(side: NDArray[np.int_], along: Array, size: CardSize = NOMINAL) -> Array:
    """Points on the top rim, shape (n, 3).

    Parameters
    ----------
    side : ndarray of int, shape (n,)
        0 to 3.
    along : ndarray, shape (n,)
        Place along the side from its middle, in mm of the nominal card.
    size : CardSize
        The card's true size: it moves the sides outward.
    """
    half = np.array([size.width_mm, size.height_mm]) / 2
    plan = SIDE_NORMALS[side] * half + SIDE_TANGENTS[side] * along[:, None]
    return np.column_stack([plan, np.full(len(plan), size.thickness_mm)])


def straight_mm(side: int) -> float:
    """Half the length of a side's straight stretch, between the corner arcs."""
    return (WIDTH_MM if side % 2 == 0 else HEIGHT_MM) / 2 - RADIUS_MM


def arc_points_mm(per_corner: int, size: CardSize = NOMINAL) -> tuple[Array, Array]:
    """Points on the round corners of the top rim and their outward normals.

    Returns
    -------
    points : ndarray, shape (4, per_corner, 3)
        Corner k lies between sides k - 1 and k.
    normals : ndarray, shape (4, per_corner, 2)
        Outward, in the card's plane.
    """
    share = (np.arange(per_corner) + 0.5) / per_corner * np.pi / 2
    before = np.roll(SIDE_NORMALS, 1, axis=0)
    normals = np.cos(share)[None, :, None] * before[:, None] + np.sin(share)[None, :, None] * SIDE_NORMALS[:, None]
    half = np.array([size.width_mm, size.height_mm]) / 2
    centres = (SIDE_NORMALS - SIDE_TANGENTS) * (half - RADIUS_MM)
    plan = centres[:, None] + RADIUS_MM * normals
    height = np.full((*plan.shape[:2], 1), size.thickness_mm)
    return np.concatenate([plan, height], axis=-1), normals


def outline_mm(per_corner: int = 8, size: CardSize = NOMINAL) -> Array:
    """The closed outline of the top face, shape (n, 3)."""
    points, _ = arc_points_mm(per_corner, size)
    return points.reshape(-1, 3)
