"""A pinhole camera with radial distortion, posed over the table.

World frame, in mm: the table top is z = 0, z points up to the camera; the reference lies with its centre over the
origin, its long side along x.  Camera frame: x right, y down, z forward.  Pixel (0, 0) is the centre of the top-left
pixel of the upright photo.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

UNDISTORT_ROUNDS = 8  # fixed-point rounds; converged below 1e-6 px for |k1| <= 0.1 inside the picture


@dataclass(frozen=True)
class Camera:
    """Where the camera stood and how it maps points to pixels.

    Attributes
    ----------
    focal_px : float
        Focal length in pixels (square pixels).
    centre_px : tuple of float
        Principal point (x, y).
    k1 : float
        Radial distortion: x_d = x (1 + k1 r^2) on normalised coordinates (OpenCV's k1).
    rotation : ndarray, shape (3, 3)
        World to camera.
    translation_mm : ndarray, shape (3,)
        World to camera: X_camera = rotation @ X_world + translation_mm.
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    rotation: Array
    translation_mm: Array

    @property
    def position_mm(self) -> Array:
        """The camera's centre in the world frame, shape (3,)."""
        return -self.rotation.T @ self.translation_mm

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the table's normal."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0))))

    def farther(self, factor: float) -> Camera:
        """The camera so many times as far away: what lies on the table comes out so many times as large."""
        return replace(self, translation_mm=self.translation_mm * factor)

    def project(self, points_mm: Array) -> Array:
        """World points (..., 3) in mm to pixels (..., 2)."""
        in_camera = points_mm @ self.rotation.T + self.translation_mm
        plane = in_camera[..., :2] / in_camera[..., 2:]
        r2 = np.sum(plane**2, axis=-1, keepdims=True)
        return np.asarray(self.focal_px * plane * (1 + self.k1 * r2) + np.asarray(self.centre_px))

    def rays(self, points_px: Array) -> Array:
        """Viewing directions (..., 3) in the world frame (not unit length) of pixels (..., 2)."""
        distorted = (points_px - np.asarray(self.centre_px)) / self.focal_px
        plane = distorted
        for _ in range(UNDISTORT_ROUNDS):
            plane = distorted / (1 + self.k1 * np.sum(plane**2, axis=-1, keepdims=True))
        in_camera = np.concatenate([plane, np.ones((*plane.shape[:-1], 1))], axis=-1)
        return np.asarray(in_camera @ self.rotation)

    def on_plane(self, points_px: Array, normal: Array, offset_mm: float) -> Array:
        """Where the viewing rays of pixels (..., 2) meet the plane normal . X = offset_mm; (..., 3) in mm."""
        rays = self.rays(points_px)
        reach = (offset_mm - normal @ self.position_mm) / (rays @ normal)
        return np.asarray(self.position_mm + reach[..., None] * rays)

    def on_height(self, points_px: Array, height_mm: float) -> Array:
        """Where the viewing rays of pixels (..., 2) meet the height over the table; (..., 2), x and y in mm."""
        return self.on_plane(points_px, np.array([0.0, 0.0, 1.0]), height_mm)[..., :2]
