"""A card on print as bright as it, a grid as white as it, or ruled paper: drawn exactly, so its place is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales import card, reference
from keyid.scales.card_edges import Ridge
from keyid.scales.card_scale import find_card, find_card_by_colour
from keyid.scales.card_search import brightness, colour, hues, shrink
from keyid.scales.reference import find_scale
from keyid.scales.scale import Scale
from tests.unit.drawn_card import INK, PALE, SHARP_MM, SIZE_PX, WHITE, fill, off_px, taken

PAPER, TINTED = (190, 190, 190), (208, 187, 189)  # blue, green, red of the same brightness
MAT = (160, 130, 90)


def printed() -> NDArray[np.uint8]:
    """Rows of grey marks in the directions of the card's sides, as printed paper beside it has."""
    rng = np.random.default_rng(4)
    fine = np.full((SIZE_PX[1], SIZE_PX[0], 3), PAPER, np.uint8)
    for y in np.arange(-150.0, 150.0, 5.0):
        for x in np.arange(-200.0, 200.0, 4.0):
            mark = np.array([[0, 0], [rng.uniform(1, 3.5), 0], [0, rng.uniform(1, 3.5)]])
            corners = np.array([[x, y], [x, y], [x, y], [x, y]]) + np.array(
                [mark[0], mark[1], mark[1] + mark[2], mark[2]]
            )
            fill(fine, corners, (int(rng.integers(60, 160)),) * 3)
    return fine


def gridded() -> NDArray[np.uint8]:
    """White lines a centimetre apart, aslant, on a mat."""
    mat = np.full((SIZE_PX[1], SIZE_PX[0], 3), MAT, np.uint8)
    turn = np.radians(28)
    way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    for k in np.arange(-200.0, 201.0, 10.0):
        for line in (
            [[-300, k], [300, k], [300, k + 0.7], [-300, k + 0.7]],
            [[k, -300], [k, 300], [k + 0.7, 300], [k + 0.7, -300]],
        ):
            fill(mat, np.array(line) @ way, WHITE)
    return mat


def ruled(turn_deg: float, spacing_mm: float) -> NDArray[np.uint8]:
    """Paper ruled nearly along the card's short sides, or aslant: rulings end at some sides, and run beside others."""
    paper = np.full((SIZE_PX[1], SIZE_PX[0], 3), PAPER, np.uint8)
    turn = np.radians(turn_deg)
    way = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    for k in np.arange(-200.0, 200.0, spacing_mm):
        fill(paper, np.array([[k, -300], [k + 0.5, -300], [k + 0.5, 300], [k, 300]]) @ way, INK)
    return paper


def photo_with(plan_mm: NDArray[np.float64] | None) -> Photo:
    """The printed paper with a tinted thing on it."""
    pixels = printed()
    if plan_mm is not None:
        fill(pixels, plan_mm, TINTED)
    return taken(pixels)


def test_neutral_shades_have_no_hue() -> None:
    shades = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    assert {*hues(colour(shades))[0].ravel(), *hues(colour(shades))[1].ravel()} == {128}


def test_paper_and_card_are_of_one_brightness() -> None:
    levels = brightness(np.array([[PAPER, TINTED]], np.uint8))
    assert abs(int(levels[0, 0]) - int(levels[0, 1])) <= 1


def test_a_card_as_bright_as_printed_paper_is_found_by_its_colour() -> None:
    photo = photo_with(card.outline_mm(16)[:, :2])
    small, _ = shrink(photo.pixels)
    with pytest.raises(PhotoError, match="No bank card"):
        find_card(photo, small)
    scale = find_card_by_colour(photo, small)
    assert scale is not None
    assert off_px(scale) < 1.0  # 0.15 mm


def test_a_white_card_whose_sides_a_white_grid_cuts_to_pieces_is_found() -> None:
    pixels = gridded()
    fill(pixels, card.outline_mm(16)[:, :2], WHITE)
    photo = taken(pixels)
    assert off_px(find_card(photo, shrink(photo.pixels)[0])) < 1.5  # 0.25 mm: lines run into the sides and move them


@pytest.mark.parametrize(("turn_deg", "spacing_mm"), [(2.5, 8.0), (15.0, 6.0), (40.0, 8.0)])
def test_a_plain_card_is_found_on_ruled_paper(turn_deg: float, spacing_mm: float) -> None:
    pixels = ruled(turn_deg, spacing_mm)
    fill(pixels, card.outline_mm(16)[:, :2], PALE)
    assert off_px(find_scale(taken(pixels))) < 1.5  # 0.25 mm: rulings that end at the sides move them


@pytest.mark.parametrize("turn_deg", [2.5, 15.0, 40.0])
def test_a_sharp_cornered_sheet_on_ruled_paper_is_no_card(turn_deg: float) -> None:
    pixels = ruled(turn_deg, 8.0)
    fill(pixels, SHARP_MM, PALE)
    with pytest.raises(PhotoError):
        find_scale(taken(pixels))


@pytest.mark.parametrize(("peak_px", "inner_px", "width_px"), [(0.0, 2.0, 4.0), (0.0, 2.0, 13.0), (6.0, 8.0, 13.0)])
def test_a_shadow_beside_a_sharp_edge_does_not_move_the_rim(peak_px: float, inner_px: float, width_px: float) -> None:
    """A sharp edge, one that a shadow widens outward, and one whose shadow's slope is the steeper part of it."""
    assert Ridge(peak_px, inner_px, width_px, 20.0, 0).rim_px(sharp_px=4.0) == 0.0


def test_what_looks_like_unclear_marks_does_not_keep_a_card_from_being_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def unclear(photo: Photo) -> Scale:
        raise PhotoError("reference-unclear", "The marks of the ruler are seen, but not what they count.", "")

    monkeypatch.setattr(reference, "find_ruler", unclear)
    assert off_px(find_scale(photo_with(card.outline_mm(16)[:, :2]))) < 1.0
    with pytest.raises(PhotoError, match="not what they count"):
        find_scale(photo_with(None))


@pytest.mark.parametrize("plan_mm", [None, SHARP_MM, card.outline_mm(16)[:, :2] * [0.75, 1.0]])
def test_paper_alone_sharp_corners_and_other_proportions_are_no_card(plan_mm: NDArray[np.float64] | None) -> None:
    photo = photo_with(plan_mm)
    assert find_card_by_colour(photo, shrink(photo.pixels)[0]) is None
