"""A key that print hides from the network is found by its hue, on drawn tables."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.scales.table_view import TableView
from keyid.silhouettes import key_search
from keyid.silhouettes.key_hues import tell_by_hue
from keyid.silhouettes.key_search import FINE_PX_PER_MM, find_keys

SIZE = (280, 400)  # 70 x 100 mm in the fine view
COPPER, GREY = (90, 120, 190), (150, 150, 150)


def key_mask() -> NDArray[np.uint8]:
    """A round head of 24 mm and a blade of 8 by 28 mm."""
    mask = np.zeros(SIZE, np.uint8)
    cv2.circle(mask, (120, 140), 48, 1, -1)
    cv2.rectangle(mask, (160, 124), (276, 156), 1, -1)
    return mask


def printed_table(colour: tuple[int, int, int]) -> TableView:
    """White paper full of black print, and a key on it as dark as the print's mean."""
    rng = np.random.default_rng(3)
    dots = cv2.resize(rng.integers(0, 2, (70, 100)).astype(np.uint8), SIZE[::-1], interpolation=cv2.INTER_NEAREST)
    pixels = np.repeat(np.where(dots[..., None] > 0, 235, 65), 3, axis=2).astype(np.uint8)
    pixels[key_mask() > 0] = colour
    pixels = np.clip(pixels + rng.normal(0, 4, pixels.shape), 0, 255).astype(np.uint8)
    everywhere = np.ones(SIZE, bool)
    return TableView(pixels, everywhere, ~everywhere, FINE_PX_PER_MM, np.zeros(2))


def unsure_odds(view: TableView) -> NDArray[np.float32]:
    """The head's middle is marked, and the blade told from the print no better than the print itself."""
    odds = np.full(view.seen.shape, -3.0, np.float32)
    head = (int(120 * view.px_per_mm / FINE_PX_PER_MM), int(140 * view.px_per_mm / FINE_PX_PER_MM))
    cv2.circle(odds, head, int(8 * view.px_per_mm), 2.5, -1)
    return odds


def test_the_key_is_told_by_its_hue() -> None:
    told = tell_by_hue(unsure_odds(printed_table(COPPER)), printed_table(COPPER)) > 0
    key = key_mask() > 0
    assert np.count_nonzero(told & key) / np.count_nonzero(told | key) > 0.9


def test_where_the_network_is_sure_of_nothing_no_hue_is_learnt() -> None:
    odds = np.full(SIZE, -3.0, np.float32)
    np.testing.assert_array_equal(tell_by_hue(odds, printed_table(COPPER)), odds)


def test_the_card_teaches_no_hue() -> None:
    """A network that marks the card, too, as it does in places."""
    view = printed_table(COPPER)
    view.on_reference[200:, :] = True
    odds = unsure_odds(view)
    odds[220:260, 100:300] = 3.0
    view.pixels[200:] = (200, 120, 60)
    told = tell_by_hue(odds, view)
    np.testing.assert_array_equal(told[200:], odds[200:])
    assert (told > 0)[130:150, 170:270].mean() > 0.95


@pytest.mark.parametrize(("colour", "is_found"), [(COPPER, True), (GREY, False)])
def test_a_key_on_print_is_found_only_if_its_hue_parts_it_from_the_print(
    monkeypatch: pytest.MonkeyPatch, colour: tuple[int, int, int], is_found: bool
) -> None:
    monkeypatch.setattr(key_search, "key_likeness", unsure_odds)
    view = printed_table(colour)
    found = find_keys(view, np.zeros((0, 2)), 1.0)
    assert any(each.is_key for each in found) == is_found
    monkeypatch.setattr(key_search, "tell_by_hue", lambda odds, view: odds)
    assert not any(each.is_key for each in find_keys(view, np.zeros((0, 2)), 1.0))
