"""The table seen straight from above: the photo resampled on a regular grid of the table plane, in mm.

On this view every size prior is a plain length.  Things that stand over the table lean away from the camera's foot, as
in any map made from one picture: a coarse stage can live with that.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.photos.photo import Photo
from keyid.scales.camera import Camera
from keyid.scales.scale import Scale

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

REACH_MM = 170.0  # a key lies within a hand's breadth of its reference; further out only costs time
NODE_PX = 8  # spacing of the view's pixels that are projected exactly; between them the map is linear to 0.02 px
BORDER_POINTS = 25  # per side of the photo, enough to follow lens distortion
OVERSAMPLE = 1.3  # the photo is shrunk to that many pixels per pixel of the view before it is resampled


@dataclass(frozen=True)
class TableView:
    """A map of the table.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        Blue, green, red; x of the world to the right, y up.
    seen : ndarray of bool, shape (rows, columns)
        Which pixels the photo shows.
    on_reference : ndarray of bool, shape (rows, columns)
        Which pixels lie inside the reference's outline.
    px_per_mm : float
        Resolution.
    corner_mm : ndarray, shape (2,)
        World x, y of the centre of the top-left pixel.
    """

    pixels: NDArray[np.uint8]
    seen: Mask
    on_reference: Mask
    px_per_mm: float
    corner_mm: Array

    def crop(self, blob: Mask, margin_mm: float) -> tuple[TableView, tuple[slice, slice]]:
        """The part of the view round a blob, and which rows and columns it is."""
        margin = round(margin_mm * self.px_per_mm)
        spans = [np.nonzero(blob.any(axis=axis))[0] for axis in (1, 0)]
        rows, columns = (slice(max(0, int(span[0]) - margin), int(span[-1]) + margin + 1) for span in spans)
        part = rows, columns
        corner = self.to_mm(np.array([columns.start, rows.start], float))
        return TableView(self.pixels[part], self.seen[part], self.on_reference[part], self.px_per_mm, corner), part

    def to_mm(self, points: Array) -> Array:
        """Pixels (..., 2) of the view to world x, y (..., 2) on the table."""
        return np.asarray(self.corner_mm + points * np.array([1.0, -1.0]) / self.px_per_mm)

    def from_mm(self, points_mm: Array) -> Array:
        """World x, y (..., 2) on the table to pixels (..., 2) of the view."""
        return np.asarray((points_mm - self.corner_mm) * np.array([1.0, -1.0]) * self.px_per_mm)


def view_table(photo: Photo, scale: Scale, px_per_mm: float) -> TableView:
    """Resample the photo as a map of the table around the reference."""
    camera = scale.camera
    low, high = _extent_mm(photo, camera)
    columns, rows = np.maximum(np.ceil((high - low) * px_per_mm).astype(int), 1)
    corner = np.array([low[0], high[1]])
    at = _places_px(camera, corner, (int(rows), int(columns)), px_per_mm)
    pixels = _resample(photo.pixels, at, photo_px_per_mm(camera) / px_per_mm)
    x, y = at[..., 0], at[..., 1]
    seen = (x >= 0) & (y >= 0) & (x <= photo.width_px - 1) & (y <= photo.height_px - 1)
    bare = TableView(pixels, seen, np.zeros((rows, columns), bool), px_per_mm, corner)
    outline = bare.from_mm(camera.on_height(scale.outline_px, 0.0))
    return TableView(pixels, seen, fill_polygon(outline, (rows, columns)), px_per_mm, corner)


def photo_px_per_mm(camera: Camera) -> float:
    """Resolution of the photo on the table, at the reference."""
    return float(camera.focal_px / np.linalg.norm(camera.position_mm))


def fill_polygon(points: Array, shape: tuple[int, int]) -> Mask:
    """Pixels inside a closed polygon (n, 2)."""
    canvas = np.zeros(shape, np.uint8)
    cv2.fillPoly(canvas, [np.round(points).astype(np.int32).reshape(-1, 1, 2)], 1)
    return canvas.astype(bool)


def _extent_mm(photo: Photo, camera: Camera) -> tuple[Array, Array]:
    """Lowest and highest x, y of the part of the table that the photo shows within reach."""
    across = np.linspace(0, photo.width_px - 1, BORDER_POINTS)
    down = np.linspace(0, photo.height_px - 1, BORDER_POINTS)
    grid = np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2)
    rays = camera.rays(grid)
    meets = rays[:, 2] < 0  # rays at or above the horizon never reach the table
    ground = camera.on_height(grid[meets], 0.0)
    return np.clip(ground.min(axis=0), -REACH_MM, 0), np.clip(ground.max(axis=0), 0, REACH_MM)


def _places_px(camera: Camera, corner_mm: Array, shape: tuple[int, int], px_per_mm: float) -> NDArray[np.float32]:
    """Where the photo shows each pixel of the view, shape (rows, columns, 2): exact at nodes, linear in between."""
    nodes = [np.arange(-NODE_PX, size + 2 * NODE_PX, NODE_PX) + (NODE_PX - 1) / 2 for size in shape]
    x, y = np.meshgrid(corner_mm[0] + nodes[1] / px_per_mm, corner_mm[1] - nodes[0] / px_per_mm)
    at = camera.project(np.stack([x, y, np.zeros_like(x)], axis=-1)).astype(np.float32)
    full = cv2.resize(at, None, fx=NODE_PX, fy=NODE_PX, interpolation=cv2.INTER_LINEAR)
    return np.asarray(full[NODE_PX : NODE_PX + shape[0], NODE_PX : NODE_PX + shape[1]], np.float32)


def _resample(pixels: NDArray[np.uint8], at: NDArray[np.float32], reduction: float) -> NDArray[np.uint8]:
    """Pixels at positions (..., 2) of the photo, which is first shrunk so that nothing is skipped."""
    factor = min(1.0, OVERSAMPLE / reduction)
    small = cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    shrunk = (at + np.float32(0.5)) * np.float32(factor) - np.float32(0.5)
    return np.asarray(
        cv2.remap(small, shrunk[..., 0], shrunk[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8
    )
