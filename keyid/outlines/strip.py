"""The blade straightened: the photo resampled on the plane of the blade's upper face, tip to the right."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.outlines.lie import Lie
from keyid.photos.light import codes_of_light, light_of_levels
from keyid.photos.photo import Photo
from keyid.scales.camera import Camera

Array = NDArray[np.float64]
Image = NDArray[np.float32]

STEP_MM = 0.04  # 25 samples per mm: at or above what 12 MP photos hold
HALF_WIDTH_MM = 4.0  # a coarse width may be too small: half the width of a usual blade is always taken for metal
SIDE_MM = 4.0  # room beyond the blade's edges: the blade's wall, its shadow and some background
BEFORE_MM = 9.0  # room behind the blade: the shoulder's collar and the head's front
BEYOND_MM = 3.5  # room past the coarse tip
MAP_STEP = 16  # the map from plane to photo is smooth: computed every 16 samples, interpolated between
ANTIALIAS_FROM = 1.3  # photo pixels per sample above which the photo is smoothed before it is resampled
SHRUNK_PX_MM = 0.055  # pixels of a small photo that are greater were shrunk, not cropped: phones hold 17 to 30 in a mm
GRADIENT_SIGMA = 1.3  # samples (0.05 mm): about the blur of a sharp photo


@dataclass(frozen=True)
class Strip:
    """The straightened blade.

    Attributes
    ----------
    values : ndarray of float32, shape (rows, columns, 3)
        sRGB-coded colour, 0 to 1, in the order blue, green, red.  Columns run along s, rows against v (top row:
        greatest v).
    s_mm : ndarray, shape (columns,)
        Station of each column: 0 at the coarse tip, negative toward the bow.
    v_mm : ndarray, shape (rows,)
        Place across of each row, descending.
    length_mm, width_mm : float
        Coarse length of blade and collar, and width.
    lie : Lie
        The plane and frame that the strip lies in.
    shrunk : bool
        The picture was shrunk by software, so that its pixels are means of codes, not of light.
    """

    values: Image
    s_mm: Array
    v_mm: Array
    length_mm: float
    width_mm: float
    lie: Lie
    shrunk: bool = False

    @property
    def half_width_mm(self) -> float:
        """Half of the coarse width, but not less than a usual blade's."""
        return max(self.width_mm / 2, HALF_WIDTH_MM)

    @cached_property
    def middle(self) -> Image:
        """The middle one of each sample's three values, (rows, columns)."""
        one, two, three = cv2.split(self.values)
        return np.asarray(cv2.max(cv2.min(one, two), cv2.min(cv2.max(one, two), three)), np.float32)

    @cached_property
    def along(self) -> Image:
        """Smoothed derivative along the blade, (rows, columns, 3): `gradients`."""
        return gradients(self.values)[0]

    def column(self, s_mm: Array) -> Array:
        """Fractional column of stations."""
        return np.asarray((s_mm - self.s_mm[0]) / STEP_MM)

    def row(self, v_mm: Array) -> Array:
        """Fractional row of places across."""
        return np.asarray((self.v_mm[0] - v_mm) / STEP_MM)

    def sampled(self, layer: Image, s_mm: Array, v_mm: Array) -> Image:
        """A layer of one value a sample, at places (n,)."""
        x, y = (at.astype(np.float32).reshape(1, -1) for at in (self.column(s_mm), self.row(v_mm)))
        return np.asarray(cv2.remap(layer, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0])


def straighten(photo: Photo, camera: Camera, lie: Lie, length_mm: float, width_mm: float) -> Strip:
    """Resample the photo around the blade on the plane of its upper face."""
    s_mm = np.arange(-length_mm - BEFORE_MM, BEYOND_MM, STEP_MM)
    half = max(width_mm / 2, HALF_WIDTH_MM) + SIDE_MM
    v_mm = np.arange(half, -half, -STEP_MM)
    grid = _photo_grid(camera, lie, s_mm, v_mm)
    corner = [photo.width_px - 1, photo.height_px - 1]
    low = np.clip(np.floor(grid.min(axis=(0, 1))).astype(int) - 8, 0, corner)
    high = np.clip(np.ceil(grid.max(axis=(0, 1))).astype(int) + 8, low + 1, np.add(corner, 1))
    pixels = photo.pixels[low[1] : high[1], low[0] : high[0]]
    pixels_per_sample = float(np.linalg.norm(grid[0, 1] - grid[0, 0]))
    shrunk = photo.looks_shrunk and pixels_per_sample * SHRUNK_PX_MM < STEP_MM
    window = np.asarray(pixels / np.float32(255), np.float32) if shrunk else light_of_levels(pixels)
    if pixels_per_sample > ANTIALIAS_FROM:
        window = np.asarray(cv2.GaussianBlur(window, (0, 0), 0.35 * pixels_per_sample), np.float32)
    local = (grid - low).astype(np.float32)
    even = cv2.remap(window, local[..., 0], local[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    values = np.clip(even, 0, 1) if shrunk else codes_of_light(np.asarray(even, np.float32))
    return Strip(np.asarray(values, np.float32), s_mm, v_mm, length_mm, width_mm, lie, shrunk)


def gradients(values: Image) -> tuple[Image, Image]:
    """Smoothed derivatives per sample along the columns' and the rows' direction, each (rows, columns, 3)."""
    smooth = cv2.GaussianBlur(values, (0, 0), GRADIENT_SIGMA)
    along = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=1 / 8)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=1 / 8)
    return along.astype(np.float32), down.astype(np.float32)


def peak_position(values: Array, index: int) -> float:
    """Fractional index of a peak at ``index``, by a parabola through it and its neighbours."""
    if not 0 < index < len(values) - 1:
        return float(index)
    before, at, after = (float(v) for v in values[index - 1 : index + 2])
    bend = before - 2 * at + after
    return index + (0.5 * (before - after) / bend if bend < 0 else 0.0)


def _photo_grid(camera: Camera, lie: Lie, s_mm: Array, v_mm: Array) -> Image:
    """Photo pixel of every sample, shape (rows, columns, 2)."""
    coarse_s = np.append(s_mm[::MAP_STEP], s_mm[-1] + MAP_STEP * STEP_MM)
    coarse_v = np.append(v_mm[::MAP_STEP], v_mm[-1] - MAP_STEP * STEP_MM)
    points = np.stack(np.meshgrid(coarse_s, coarse_v), axis=-1)
    coarse = lie.to_px(points, camera).astype(np.float32)
    columns = np.interp(s_mm, coarse_s, np.arange(len(coarse_s))).astype(np.float32)
    rows = np.interp(-v_mm, -coarse_v, np.arange(len(coarse_v))).astype(np.float32)
    grid = np.meshgrid(columns, rows)
    return np.asarray(cv2.remap(coarse, grid[0], grid[1], cv2.INTER_LINEAR), np.float32)
