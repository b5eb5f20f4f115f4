"""Things of a card's plane, drawn exactly into a picture, so that their places are known."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.photos.photo import Photo
from keyid.scales import card
from keyid.scales.scale import Scale
from tests.scene import posed_camera

SIZE_PX = (1600, 1200)
FOCAL_35MM = 26.0
FOCAL_PX = FOCAL_35MM / 43.27 * 2000.0  # the picture's diagonal has 2000 pixels
CAMERA = posed_camera(
    FOCAL_PX,
    ((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2),
    distance_mm=190.0,
    tilt_deg=9.0,
    azimuth_deg=60.0,
    roll_deg=20.0,
)
WHITE = (250, 250, 250)
INK, PALE = (100, 110, 60), (170, 165, 150)
SHARP_MM = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array([card.WIDTH_MM, card.HEIGHT_MM]) / 2


def fill(picture: NDArray[np.uint8], plan_mm: NDArray[np.float64], shade: tuple[int, ...]) -> None:
    """Paint a polygon of the card's plane, to a sixteenth of a pixel."""
    px = CAMERA.project(np.column_stack([plan_mm, np.full(len(plan_mm), card.THICKNESS_MM)]))
    cv2.fillPoly(picture, [np.rint(px * 16).astype(np.int32)], shade, cv2.LINE_AA, 4)


def taken(pixels: NDArray[np.uint8]) -> Photo:
    """A picture a little blurred and noisy."""
    noise = np.random.default_rng(5).normal(0, 1.0, pixels.shape)
    soft = cv2.GaussianBlur(pixels.astype(np.float64), (0, 0), 0.7) + noise
    return Photo("drawn.png", "", np.clip(np.rint(soft), 0, 255).astype(np.uint8), FOCAL_35MM, whole=True)


def off_px(scale: Scale) -> float:
    """How far the corners of the card that was found are from the true ones."""
    true, found = (camera.project(card.corners_mm()) for camera in (CAMERA, scale.camera))
    return min(float(np.abs(true - np.roll(found, turn, axis=0)).max()) for turn in (0, 2))
