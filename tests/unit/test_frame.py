"""Each place of a frame is known because the picture is put together from it."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from keyid.photos.frame import find_frame
from keyid.photos.photo import load_photo

SCREEN_PX = (2340, 1080)  # rows, columns of a phone's screen

Pixels = NDArray[np.uint8]


def photo_like(rows: int, columns: int, level: float = 180.0) -> Pixels:
    """A smooth surface with a sensor's noise."""
    rng = np.random.default_rng(1)
    slope = np.linspace(-20, 20, columns)[None, :, None]
    return np.clip(np.rint(level + slope + rng.normal(0, 3, (rows, columns, 3))), 0, 255).astype(np.uint8)


def screen(ground: int, photo: Pixels, top: int, left: int = 0) -> Pixels:
    """A screen of one colour with a clock, a header, buttons and the photo."""
    picture = np.full((*SCREEN_PX, 3), ground, np.uint8)
    ink = 255 - ground
    picture[40:70, 50:160] = ink
    picture[110:230] = (120, 90, 60)  # a header of another colour, with a word
    picture[150:190, 300:620] = ink
    picture[2250:2300, 500:580] = ink
    picture[top : top + photo.shape[0], left : left + photo.shape[1]] = photo
    return picture


@pytest.mark.parametrize("ground", [0, 18, 245, 255])
def test_bars_are_taken_off_exactly(ground: int) -> None:
    assert find_frame(screen(ground, photo_like(810, 1080), 760)) == (slice(760, 1570), slice(0, 1080))


def test_margins_on_all_sides_are_taken_off() -> None:
    picture = screen(250, photo_like(630, 840), 700, left=60)
    assert find_frame(picture) == (slice(700, 1330), slice(60, 900))


@pytest.mark.parametrize("ground", [18, 245])
def test_a_surface_that_blows_out_toward_one_end_is_no_bar(ground: int) -> None:
    """The light falls off gradually: no row differs from the next all along."""
    light = np.linspace(120, 0, 810)[:, None, None]
    photo = np.clip(photo_like(810, 1080) + light, 0, 255).astype(np.uint8)
    assert np.mean(photo[:150] == 255) > 0.9
    assert find_frame(screen(ground, photo, 760)) == (slice(760, 1570), slice(0, 1080))


def test_a_photo_that_fills_the_picture_has_no_frame() -> None:
    assert find_frame(photo_like(900, 1170)) is None


def test_a_card_on_a_blown_out_table_is_no_photo_on_a_page() -> None:
    """It never lies so straight that its side falls into one row of pixels all along: here it rises by one in 90."""
    photo = photo_like(900, 1170, level=300.0)  # white wherever nothing lies
    rise = np.arange(1170) // 90
    rows = np.arange(900)[:, None]
    on_card = (rows > 250 - rise) & (rows < 650 - rise) & (np.arange(1170) > 150) & (np.arange(1170) < 1000)
    photo[on_card] = photo_like(900, 1170, level=120.0)[on_card]
    assert find_frame(photo) is None


def test_a_button_is_no_photo() -> None:
    assert find_frame(screen(18, photo_like(60, 80), 1000, left=400)) is None


def test_a_screenshot_is_the_whole_photo_within_its_bars(tmp_path: Path) -> None:
    path = tmp_path / "shot.png"
    Image.fromarray(screen(18, photo_like(810, 1080), 760)).save(path)
    photo = load_photo(path)
    assert (photo.width_px, photo.height_px, photo.whole) == (1080, 810, True)
    assert photo.picture_size_px == (1080, 2340)
    np.testing.assert_array_equal(photo.in_picture(np.array([[3.0, 4.0]])), [[3.0, 764.0]])


def test_a_crop_shown_on_a_screen_is_not_whole(tmp_path: Path) -> None:
    path = tmp_path / "shot.png"
    Image.fromarray(screen(245, photo_like(930, 1080), 700)).save(path)
    photo = load_photo(path)
    assert (photo.width_px, photo.height_px, photo.whole) == (1080, 930, False)
