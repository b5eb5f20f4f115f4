"""Cameras posed over the table."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyid.scales.camera import Camera

FULL_FRAME_DIAGONAL_MM = 43.27  # 35 mm film, 36 x 24 mm; equivalent focal lengths go by the diagonal (CIPA DCG-001)


def posed_camera(
    focal_px: float,
    centre_px: tuple[float, float],
    *,
    distance_mm: float = 250.0,
    tilt_deg: float = 0.0,
    azimuth_deg: float = 0.0,
    roll_deg: float = 0.0,
    target_mm: tuple[float, float] = (0.0, 0.0),
    k1: float = 0.0,
) -> Camera:
    """A camera that looks at ``target_mm`` on the table.

    Parameters
    ----------
    focal_px, centre_px, k1
        As in Camera.
    distance_mm : float
        From the camera's centre to the target.
    tilt_deg, azimuth_deg : float
        Angle between optical axis and the table's normal, and the direction in which the camera stands off.
    roll_deg : float
        Turn of the picture about the optical axis.
    """
    tilt, azimuth, roll = np.radians([tilt_deg, azimuth_deg, roll_deg])
    back = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    side = np.array([-np.sin(azimuth), np.cos(azimuth), 0.0])
    down = np.cross(-back, side)
    right = np.cos(roll) * side + np.sin(roll) * down
    rotation = np.array([right, np.cross(-back, right), -back])
    position = np.array([*target_mm, 0.0]) + distance_mm * back
    return Camera(focal_px, centre_px, k1, rotation, -rotation @ position)


def focal_px_of(focal_35mm: float, size_px: tuple[int, int]) -> float:
    """Focal length in pixels of a whole photo (width, height) from its 35 mm equivalent."""
    return focal_35mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(*size_px))


def scale_px_per_mm(camera: Camera, point_mm: NDArray[np.float64], direction_mm: NDArray[np.float64]) -> float:
    """Pixels to a millimetre at a world point, along a world direction."""
    ends = camera.project(np.array([point_mm - direction_mm / 2, point_mm + direction_mm / 2]))
    return float(np.linalg.norm(ends[1] - ends[0]) / np.linalg.norm(direction_mm))
