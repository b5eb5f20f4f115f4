"""What a photo's own colours add to what the network tells: on pictures whose regions are drawn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from keyid.network import probabilities
from keyid.outlines.own_colours import tell_by_own_colours
from keyid.photos.light import codes_of_light

Image = NDArray[np.float32]

OTHER, FACE, BODY, WALL, PLASTIC = range(5)
SHAPE = (120, 200)
BLADE, SHADE = slice(0, 60), slice(60, 75)  # rows: the blade, its shadow below it; the rest is table
INSIDE = slice(64, 71)  # of the shadow: past the blur of its borders
BRASS, STEEL, WOOD, SHADOW = (0.2, 0.45, 0.6), (0.5, 0.5, 0.5), (0.1, 0.22, 0.4), 0.3  # light of blue, green, red


def picture_of(
    metal: tuple[float, ...], table: tuple[float, ...], grain: float = 0.03, brightness: float = 1.0
) -> Image:
    """A blade above, its shadow in the middle, table below, with noise (a part of the light)."""
    light = np.empty((*SHAPE, 3))
    light[:] = table
    light[SHADE] *= SHADOW
    light[BLADE] = metal
    light *= brightness * np.exp(np.random.default_rng(1).normal(0, grain, light.shape))
    return codes_of_light(light)


def logits_of(shade: float, region: int = FACE) -> Image:
    """A network that is sure of blade and table, and gives the shadow so much of a region (log odds)."""
    logits = np.full((5, *SHAPE), -6.0, np.float32)
    logits[OTHER] = 3.0
    logits[OTHER, BLADE], logits[FACE, BLADE] = -3.0, 3.0
    logits[OTHER, SHADE], logits[region, SHADE] = 0.0, shade
    return logits


def share_of(region: int, logits: Image, rows: slice) -> float:
    return float(probabilities(logits)[region, rows].mean())


def test_a_shadow_that_passed_for_metal_has_the_hue_of_its_table() -> None:
    before = logits_of(1.5)
    assert share_of(FACE, before, INSIDE) > 0.8
    after = tell_by_own_colours(before, picture_of(STEEL, WOOD))
    assert share_of(FACE, after, INSIDE) < 0.2
    assert share_of(FACE, after, BLADE) > 0.99
    assert share_of(OTHER, after, slice(75, None)) > 0.99


def test_metal_that_passed_for_shadow_has_the_hue_of_the_blade() -> None:
    before = logits_of(-1.5)
    picture = picture_of(STEEL, WOOD)
    picture[SHADE] = picture_of(STEEL, WOOD)[BLADE][:15]
    assert share_of(FACE, tell_by_own_colours(before, picture), INSIDE) > 0.7


def test_a_wall_that_passed_for_face_has_the_hue_of_the_walls_that_are_sure() -> None:
    before = logits_of(4.0, WALL)
    doubtful = (slice(60, 75), slice(0, 60))
    before[FACE][doubtful], before[WALL][doubtful] = 1.0, 0.0
    after = tell_by_own_colours(before, picture_of(STEEL, WOOD))
    assert (after[WALL] > after[FACE])[doubtful].mean() > 0.9


@given(brightness=st.floats(0.15, 1.0))
def test_how_bright_the_light_is_changes_little(brightness: float) -> None:
    before = logits_of(1.0)
    dim = picture_of(STEEL, WOOD, 0.0, brightness)
    assert share_of(OTHER, tell_by_own_colours(before, dim), INSIDE) > 0.75


@pytest.mark.parametrize("shade", [-1.0, 0.0, 1.0])
def test_where_all_is_of_one_hue_nothing_changes(shade: float) -> None:
    grey = np.repeat(picture_of(BRASS, BRASS, 0.0)[..., :1], 3, axis=2)
    before = logits_of(shade)
    np.testing.assert_allclose(tell_by_own_colours(before, grey), before, atol=1e-5)


def test_a_colour_at_its_limit_tells_nothing() -> None:
    picture = picture_of(STEEL, WOOD)
    picture[INSIDE] = (0.9, 1.0, 1.0)
    before = logits_of(1.5)
    after = tell_by_own_colours(before, picture)
    np.testing.assert_array_equal(after[:, INSIDE], before[:, INSIDE])


@pytest.mark.parametrize("missing", [OTHER, FACE])
def test_a_strip_that_shows_one_kind_only_teaches_nothing(missing: int) -> None:
    before = np.full((5, *SHAPE), -6.0, np.float32)
    before[FACE if missing == OTHER else OTHER] = 3.0
    np.testing.assert_array_equal(tell_by_own_colours(before, picture_of(STEEL, WOOD)), before)
