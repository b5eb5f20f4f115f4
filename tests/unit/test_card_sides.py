"""Which edges are a card's rims, beside a wide shadow and print near the border: drawn, so that its place is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.scales import card, card_looks
from keyid.scales.card_edges import ARC_STATIONS, Corners, arc_gaps
from keyid.scales.card_measure import measure
from keyid.scales.card_scale import find_card
from keyid.scales.card_search import brightness, find_lines, propose, shrink
from keyid.scales.lens import lenses_of
from tests.unit.drawn_card import CAMERA, INK, PALE, SHARP_MM, SIZE_PX, WHITE, fill, off_px, taken

DARK, SHADOW = (90, 75, 62), (54, 58, 56)
CELLS_MM = (0.6, 2.0)  # from the border, and as long as wide


def on_white() -> NDArray[np.uint8]:
    return np.full((SIZE_PX[1], SIZE_PX[0], 3), WHITE, np.uint8)


def with_cells() -> NDArray[np.uint8]:
    """A pale card with a row of printed cells beside each side, as long as the gaps between them."""
    pixels = on_white()
    fill(pixels, card.outline_mm(16)[:, :2], PALE)
    margin, size = CELLS_MM
    for side in range(4):
        normal, tangent = card.SIDE_NORMALS[side], card.SIDE_TANGENTS[side]
        half = np.abs(normal) @ np.array([card.WIDTH_MM, card.HEIGHT_MM]) / 2
        for at in np.arange(-card.straight_mm(side), card.straight_mm(side), 2 * size):
            corners = [(half - margin, at), (half - margin, at + size), (half - size, at + size), (half - size, at)]
            fill(pixels, np.array([out * normal + along * tangent for out, along in corners]), INK)
    return pixels


def in_shadow(width_mm: float) -> NDArray[np.uint8]:
    """A dark card whose shadow is nearly as dark, along two sides."""
    pixels = on_white()
    fill(pixels, card.outline_mm(16)[:, :2] + width_mm * np.array([0.8, 0.6]), SHADOW)
    fill(pixels, card.outline_mm(16)[:, :2], DARK)
    return pixels


def test_print_that_runs_beside_the_sides_with_gaps_is_not_taken_for_them() -> None:
    photo = taken(with_cells())
    assert off_px(find_card(photo, shrink(photo.pixels)[0])) < 1.5  # 0.2 mm; the cells are 4 px inside


def test_a_dark_card_is_told_from_its_dark_shadow() -> None:
    photo = taken(in_shadow(1.5))
    assert off_px(find_card(photo, shrink(photo.pixels)[0])) < 1.0  # 0.15 mm


def corners_with(edge_px: NDArray[np.float64]) -> Corners:
    """Four corners with one edge at each station."""
    offset = np.arange(-10.0, 10.25, 0.5)
    slope = np.exp(-0.5 * ((offset - edge_px[:, None]) / 0.8) ** 2)
    return Corners(offset, np.stack([slope] * 4), np.zeros(ARC_STATIONS))


@pytest.mark.parametrize(("before_px", "after_px"), [(0.0, 0.0), (4.0, 4.0), (0.0, 5.0), (-3.0, 2.0)])
def test_an_arc_shows_where_it_joins_its_two_sides(before_px: float, after_px: float) -> None:
    """A corner moves with its sides: by the sum of both moves' parts along each normal."""
    turn = (np.arange(ARC_STATIONS) + 0.5) / ARC_STATIONS * np.pi / 2
    corners = corners_with(before_px * np.cos(turn) + after_px * np.sin(turn))
    height = np.ones((2, 2))
    gaps = arc_gaps(2, corners, height, np.array([[before_px], [before_px + 6]]), np.array([[after_px, after_px - 6]]))
    assert gaps[0, 0] == 0
    assert min(gaps[0, 1], gaps[1, 0]) > ARC_STATIONS / 2


def test_an_edge_much_weaker_than_the_sides_is_no_arc() -> None:
    corners = corners_with(np.zeros(ARC_STATIONS))
    there = np.zeros(1)
    assert arc_gaps(0, corners, np.array([4.0]), there, there)[0] == ARC_STATIONS


def test_round_corners_are_seen_and_sharp_ones_are_not() -> None:
    shares = []
    for outline in (card.outline_mm(16)[:, :2], SHARP_MM):
        pixels = on_white()
        fill(pixels, outline, DARK)
        photo = taken(pixels)
        small, factor = shrink(photo.pixels)
        (lens,) = lenses_of(photo)
        proposal = propose([brightness(small)], find_lines(small), (lens.focal_px * factor,))[0]
        found = measure(photo.pixels, small, proposal, lens)
        assert found is not None
        shares.append(card_looks.corner_shares(photo.pixels, found))
    assert shares[0].min() > 0.9
    assert shares[1].max() < 0.7
    assert CAMERA.focal_px == pytest.approx(lens.focal_px)  # the pictures are seen with the lens that the photo states
