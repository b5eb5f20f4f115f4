"""Blur is measured as it was made, and what can't be measured for blur is refused."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales.camera import Camera
from keyid.scales.scale import Scale
from keyid.scales.sharpness import check_photo, photo_blur_part, rim_blur_px, with_blur

PX_PER_MM = 10.0
CARD_PX = np.array([[150.0, 120.0], [1006.0, 120.0], [1006.0, 660.0], [150.0, 660.0]])
SIZE = (800, 1200)  # rows, columns
PIXEL_SD = 0.4  # px: sampling at half pixels and the pixels themselves widen an edge by about that


def photo(blur_px: float = 0.0, shake: tuple[int, int] = (1, 1)) -> Photo:
    """A bright card on a dark table, blurred by a normal distribution and a motion of so many pixels."""
    pixels = np.full((*SIZE, 3), 60, np.uint8)
    cv2.fillPoly(pixels, [CARD_PX.astype(np.int32)], (200, 190, 180))
    if blur_px:
        pixels = cv2.GaussianBlur(pixels, (0, 0), blur_px)
    return Photo("x.jpg", "", np.asarray(cv2.blur(pixels, shake), np.uint8), None, True)


def scale() -> Scale:
    camera = Camera(2000.0, (600.0, 400.0), 0.0, np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 200.0]))
    return Scale("id1-card", camera, "exif", (), CARD_PX, 0.76)


@pytest.mark.parametrize("blur_px", [1.5, 2.5, 4.0])
def test_blur_is_measured_as_it_was_made(blur_px: float) -> None:
    # By construction: the blur was made with this standard deviation.
    measured = rim_blur_px(photo(blur_px), CARD_PX, PX_PER_MM)
    assert measured == pytest.approx(np.hypot(blur_px, PIXEL_SD), rel=0.15)
    # The whole photo is judged by its sharpest fifth, so that lies lower.
    assert 0.7 * blur_px < photo_blur_part(photo(blur_px)) * SIZE[1] < 1.1 * blur_px


def test_a_sharp_photo_passes() -> None:
    found = with_blur(photo(), scale())
    assert found.blur_px is not None
    assert found.blur_px < 2 * PIXEL_SD
    check_photo(photo())


def test_a_blurred_rim_is_refused() -> None:
    with pytest.raises(PhotoError, match="too blurred to measure") as caught:
        with_blur(photo(4.0), scale())
    assert caught.value.code == "too-blurred"


def test_shake_in_one_direction_is_refused() -> None:
    with pytest.raises(PhotoError, match="too blurred to measure"):
        with_blur(photo(1.0, shake=(12, 1)), scale())


def test_a_photo_without_a_sharp_edge_is_refused() -> None:
    with pytest.raises(PhotoError, match="too blurred to find anything"):
        check_photo(photo(6.0))


def test_a_photo_without_any_edge_is_not_called_blurred() -> None:
    plain = replace(photo(), pixels=np.full((*SIZE, 3), 128, np.uint8))
    check_photo(plain)
    assert with_blur(plain, scale()).blur_px is None
