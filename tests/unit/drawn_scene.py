"""Scenes drawn ray by ray from a known camera, for the references' tests."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.photos.photo import Photo
from keyid.scales.camera import Camera
from keyid.scales.scale import Scale

Array = NDArray[np.float64]

SIZE_PX = (1200, 900)
F35_PX = float(np.hypot(*SIZE_PX)) / 43.27  # pixels per mm of 35 mm equivalent focal length


def posed(
    yaw: float = 20.0,
    tilt: float = 8.0,
    f35: float = 26.0,
    k1: float = 0.0,
    distance_mm: float = 190.0,
    aim_mm: tuple[float, float] = (6.0, 18.0),
) -> Camera:
    """A camera that looks at a point of the table from a distance; angles in degrees."""
    turn = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(yaw)]))[0]
    over = cv2.Rodrigues(np.array([np.pi - np.radians(tilt), 0.0, 0.0]))[0]
    rotation = over @ turn
    translation = -rotation @ np.array([*aim_mm, 0.0]) + np.array([0.0, 0.0, distance_mm])
    centre = ((SIZE_PX[0] - 1) / 2 + 1.5, (SIZE_PX[1] - 1) / 2 - 1.0)
    return Camera(f35 * F35_PX, centre, k1, rotation, translation)


def photo(pixels: NDArray[np.uint8], f35: float | None = 26.0, whole: bool = True) -> Photo:
    return Photo("drawn.jpg", "", pixels, f35, whole)


def errors_and_u(scale: Scale, truth: Camera) -> tuple[Array, Array]:
    """Relative errors of lengths along x and y, 2 mm over the table and 60 mm beside the card, and their u."""
    ends = np.array([[-15.0, -60.0, 2.0], [15.0, -60.0, 2.0], [-15.0, -45.0, 2.0]])
    seen = truth.project(ends)

    def lengths(camera: Camera) -> Array:
        on_table = camera.on_height(seen, 2.0)
        return np.linalg.norm(on_table[1:] - on_table[0], axis=1) / np.array([30.0, 15.0])

    best = lengths(scale.camera)
    moved = np.array([lengths(variation.camera) - best for variation in scale.variations])
    return best - 1, np.sqrt(np.sum(moved**2, axis=0))


def around(camera: Camera, width_mm: float) -> tuple[slice, slice]:
    """Rows and columns of the photo that a thing of that width at the world's origin lies in."""
    half = width_mm * 0.75
    corners = camera.project(np.array([[x, y, 0.0] for x in (-half, half) for y in (-half, half)]))
    low = np.clip(corners.min(axis=0), 0, None).astype(int)
    high = np.minimum(corners.max(axis=0), np.array(SIZE_PX)).astype(int)
    return slice(low[1], high[1]), slice(low[0], high[0])


def plan_of(camera: Camera, height_mm: float, part: tuple[slice, slice] = (slice(None), slice(None))) -> Array:
    """Where the rays of the photo's pixels meet a height, (rows, columns, 2) in mm."""
    rows, columns = (np.arange(side, dtype=float)[one] for side, one in zip(SIZE_PX[::-1], part, strict=True))
    return camera.on_height(np.stack(np.meshgrid(columns, rows), axis=-1), height_mm)


def paint(picture: Array, outside_mm: Array, plan: Array, colour: tuple[float, float, float]) -> None:
    """Colour what lies inside a figure, each pixel by the share of it that the figure covers."""
    per_px = np.linalg.norm(plan[:, 1:] - plan[:, :-1], axis=-1).mean()
    cover = np.clip(0.5 - outside_mm / per_px, 0, 1)[..., None]
    picture += cover * (np.array(colour) - picture)


def taken(picture: Array, blur_px: float = 0.7, noise: float = 1.5) -> NDArray[np.uint8]:
    """The drawn picture with a lens's blur and a sensor's noise."""
    blurred = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), blur_px)
    grain = np.random.default_rng(5).standard_normal(blurred.shape, np.float32)
    return np.asarray(np.clip(np.rint(blurred + noise * grain), 0, 255), np.uint8)
