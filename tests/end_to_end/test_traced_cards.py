"""Cards in path-traced photos (`tests.training.photos`), so that their corners are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import load_photo
from keyid.scales import card
from keyid.scales.card_scale import find_card
from keyid.scales.card_search import shrink
from keyid.scales.reference import find_scale
from keyid.scales.scale import Scale

PHOTOS = Path(__file__).parent / "photos"
ON_PRINT_PX = np.array([[457.78, 200.16], [631.83, 773.53], [993.22, 666.17], [823.97, 88.61]])  # number 17
ON_PRINT_PX_PER_MM = 7.0
WITH_SHADOW_PX = np.array([[1635.05, 608.4], [1178.86, 99.87], [857.15, 382.26], [1329.32, 901.06]])  # number 1002
WITH_SHADOW_PX_PER_MM = 8.2


def off_px(scale: Scale, true_px: NDArray[np.float64]) -> float:
    """How far the corners of the card that was found are from the true ones, at most."""
    found = scale.camera.project(card.corners_mm())
    return min(float(np.linalg.norm(true_px - np.roll(found, turn, axis=0), axis=1).max()) for turn in (0, 2))


def test_the_card_is_found_by_its_colour_though_print_hides_its_sides() -> None:
    photo = load_photo(PHOTOS / "card-on-print.jpg")
    with pytest.raises(PhotoError, match="No bank card"):
        find_card(photo, shrink(photo.pixels)[0])
    scale = find_scale(photo)
    assert scale.reference == "id1-card"
    # mm: as those of cards on plain tables in photos as small, which have 0.07 to 0.4
    assert off_px(scale, ON_PRINT_PX) < 0.3 * ON_PRINT_PX_PER_MM


@pytest.mark.parametrize("size", [0.8, 1.0])  # by chance the shadow misled in one way at one, in another at the other
def test_the_shadows_border_is_not_taken_for_a_side(size: float) -> None:
    photo = load_photo(PHOTOS / "card-with-shadow.jpg")
    small = cv2.resize(photo.pixels, None, fx=size, fy=size, interpolation=cv2.INTER_AREA)
    scale = find_scale(replace(photo, pixels=np.asarray(small, np.uint8)))
    assert (scale.reference, scale.cropped) == ("id1-card", False)
    true_px = (WITH_SHADOW_PX + 0.5) * size - 0.5
    assert off_px(scale, true_px) < 0.2 * WITH_SHADOW_PX_PER_MM * size  # mm: with the shadow's border it is 2
