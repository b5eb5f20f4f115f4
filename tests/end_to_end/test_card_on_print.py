"""A card on printed paper: path-traced (`tests.training.photos`, number 17), so that its corners are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from keyid.errors import PhotoError
from keyid.photos.photo import load_photo
from keyid.scales import card
from keyid.scales.card_scale import find_card
from keyid.scales.card_search import shrink
from keyid.scales.reference import find_scale

PHOTO = Path(__file__).parent / "photos" / "card-on-print.jpg"
CORNERS_PX = np.array([[457.78, 200.16], [631.83, 773.53], [993.22, 666.17], [823.97, 88.61]])
PX_PER_MM = 7.0  # of the photo


def test_the_card_is_found_by_its_colour_though_print_hides_its_sides() -> None:
    photo = load_photo(PHOTO)
    with pytest.raises(PhotoError, match="No bank card"):
        find_card(photo, shrink(photo.pixels)[0])
    scale = find_scale(photo)
    assert scale.reference == "id1-card"
    found = scale.camera.project(card.corners_mm())
    apart = min(np.linalg.norm(CORNERS_PX - np.roll(found, turn, axis=0), axis=1).max() for turn in (0, 2))
    assert apart < 0.3 * PX_PER_MM  # mm: as those of cards on plain tables in photos as small, which have 0.07 to 0.4
