"""Edge points on a card's sides, located along normals of the predicted outline, to a fraction of a pixel.

Each side's straight stretch is cut into stations.  A station is one profile across the side: the mean of many parallel
ones, so that noise and texture average out while the side's bend stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid import card
from keyid.camera import Camera
from keyid.card_fit import EdgePoints

Array = NDArray[np.float64]

STATIONS = 24  # per side: each 2 to 3 mm long, so that a finger or a key hides whole stations
SUBSTATIONS = 12  # profiles averaged in each
STEP_PX = 0.5  # samples along a profile
NORMAL_MM = 0.1  # the normal is the image of that step outward


@dataclass(frozen=True)
class Profiles:
    """Profiles across the sides.

    Attributes
    ----------
    side : ndarray of int, shape (n,)
    along_mm : ndarray, shape (n,)
        Middle of each station.
    base_px, normal_px : ndarray, shape (n, 2)
        Predicted place of the top rim, and the direction outward.
    px_per_mm : ndarray, shape (n,)
        Across the side.
    offset_px : ndarray, shape (m,)
        Place of each sample along the normal, from the predicted rim, outward positive.
    slope : ndarray, shape (n, m)
        Strength of the colour's change along the normal, in grey levels per pixel.
    """

    side: NDArray[np.int_]
    along_mm: Array
    base_px: Array
    normal_px: Array
    px_per_mm: Array
    offset_px: Array
    slope: Array

    def at(self, offset_px: Array, chosen: NDArray[np.bool_], u_px: float) -> EdgePoints:
        """Edge points at one offset of each station, for the chosen stations."""
        point = self.base_px + offset_px[:, None] * self.normal_px
        u = np.full(int(chosen.sum()), u_px)
        return EdgePoints(self.side[chosen], self.along_mm[chosen], point[chosen], self.normal_px[chosen], u)


def sample(pixels: NDArray[np.uint8], camera: Camera, reach_px: float, blur_px: float) -> Profiles:
    """Profiles across the four sides as a camera predicts them.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (height, width, 3)
    camera : Camera
        Of that picture.
    reach_px : float
        How far to look on either side.
    blur_px : float
        Standard deviation of the smoothing along the normal.
    """
    side = np.repeat(np.arange(4), STATIONS * SUBSTATIONS)
    share = (np.arange(STATIONS * SUBSTATIONS) + 0.5) / (STATIONS * SUBSTATIONS) * 2 - 1
    along = np.concatenate([share * card.straight_mm(k) for k in range(4)])
    base, normal, density = _rim(camera, side, along)
    offset = np.arange(-np.ceil(reach_px), np.ceil(reach_px) + STEP_PX / 2, STEP_PX)
    grid = (base[:, None] + offset[:, None] * normal[:, None]).astype(np.float32)
    inside = np.all((grid >= 0) & (grid <= np.array(pixels.shape[1::-1]) - 1), axis=-1)
    values = cv2.remap(pixels, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = values.reshape(4 * STATIONS, SUBSTATIONS, len(offset), 3).mean(axis=1)
    slope = _slope(values, blur_px)
    slope[~inside.reshape(4 * STATIONS, SUBSTATIONS, -1).all(axis=1)] = 0.0

    def middle(a: Array) -> Array:
        return np.asarray(a.reshape(4 * STATIONS, SUBSTATIONS, -1).mean(axis=1))

    unit = middle(normal)
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    return Profiles(side[::SUBSTATIONS], middle(along)[:, 0], middle(base), unit, middle(density)[:, 0], offset, slope)


def _rim(camera: Camera, side: NDArray[np.int_], along: Array) -> tuple[Array, Array, Array]:
    """Pixels of places on the top rim, unit normals outward, and pixels per mm across."""
    rim = card.side_points_mm(side, along)
    outward = np.column_stack([card.SIDE_NORMALS[side], np.zeros(len(side))])
    base = camera.project(rim)
    normal = camera.project(rim + NORMAL_MM * outward) - base
    size = np.linalg.norm(normal, axis=1)
    return base, normal / size[:, None], size / NORMAL_MM


def _slope(values: Array, blur_px: float) -> Array:
    """Norm over the colours of the derivative of a Gaussian, per pixel, shape (n, m)."""
    half = int(np.ceil(3 * blur_px / STEP_PX))
    x = np.arange(-half, half + 1) * STEP_PX
    kernel = -x * np.exp(-(x**2) / (2 * blur_px**2))
    kernel /= -np.sum(kernel * x)
    flat = values.transpose(0, 2, 1).reshape(-1, values.shape[1]).astype(np.float32)
    change = cv2.filter2D(flat, cv2.CV_32F, kernel[None], borderType=cv2.BORDER_REPLICATE)
    colours = change.reshape(len(values), values.shape[2], -1).astype(np.float64)
    return np.asarray(np.sqrt(np.sum(colours**2, axis=1)))


def peak_near(profiles: Profiles, centre_px: Array, reach_px: float) -> tuple[Array, Array]:
    """Offset and height of the strongest change within a reach of a centre, for each station."""
    near = np.abs(profiles.offset_px - centre_px[:, None]) <= reach_px
    slope = np.where(near, profiles.slope, -1.0)
    at = np.clip(slope.argmax(axis=1), 1, len(profiles.offset_px) - 2)
    rows = np.arange(len(at))
    before, here, after = (profiles.slope[rows, at + k] for k in (-1, 0, 1))
    bend = before - 2 * here + after
    shift = np.where(bend < -1e-9, 0.5 * (before - after) / np.minimum(bend, -1e-9), 0.0)
    return profiles.offset_px[at] + STEP_PX * np.clip(shift, -1, 1), here
