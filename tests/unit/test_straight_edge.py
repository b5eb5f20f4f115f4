"""An uncut edge found as one line, on pictures whose line is known because they were made."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from keyid.outlines.rims import Rim, Side
from keyid.outlines.straight_edge import find_straight_edge, is_followed, stands_for
from keyid.outlines.strip import STEP_MM

Array = NDArray[np.float64]

AT_MM, OUT_MM = np.arange(-26.0, -2.0, STEP_MM), np.arange(0.5, 6.0, STEP_MM)
MIDDLE_MM = -14.4  # of what is left of the side without its ends: 0.6 and 1.4 mm, less than a block
SURE = 4.0  # log odds


def rim_of(out_mm: float, slope: float = 0.0) -> Array:
    return out_mm + slope * (AT_MM - MIDDLE_MM)


def side_of(rim_mm: Array, face_mm: Array, noise: float, wall: float = 0.0, wall_shade: float = 0.5) -> Side:
    """Face of shade 0.5 up to a rim, a wall, and a table of shade 0.6; the regions tell of face up to ``face_mm``."""
    rng = np.random.default_rng(3)
    out = OUT_MM[:, None]
    past = [np.clip((out - place) / STEP_MM + 0.5, 0, 1) for place in (rim_mm, rim_mm + wall)]
    shade = 0.5 + (wall_shade - 0.5) * past[0] + (0.6 - wall_shade) * past[1]
    values = np.repeat((shade + rng.normal(0, noise, shade.shape))[..., None], 3, axis=2)
    odds = np.where(out < face_mm, SURE, -SURE).astype(np.float32)
    return Side(values.astype(np.float32), odds, odds, AT_MM, OUT_MM)


def with_grooves(side: Side) -> Side:
    values = side.values.copy()
    for near in (0.8, 1.4, 2.0):
        values[(near < OUT_MM) & (near + 0.3 > OUT_MM)] -= 0.1
    return replace(side, values=values)


def path_of(place_mm: Array) -> Rim:
    column = np.arange(0, len(AT_MM), 2)
    return Rim(column, place_mm[column], np.zeros(len(column), int))


@settings(max_examples=20, deadline=None)
@given(st.floats(2.0, 4.5), st.floats(-0.03, 0.03))
def test_a_line_is_found_that_noise_hides_from_any_place_of_it(out_mm: float, slope: float) -> None:
    """A sample's noise is half as great again as the step."""
    rim = rim_of(out_mm, slope)
    line = find_straight_edge(side_of(rim, rim, noise=0.15), wall_mm=-1.0)
    assert line is not None
    assert np.abs(line.at(AT_MM) - rim).max() < 0.05  # of 700 such the worst was 0.042 off at its end
    assert not line.foot_seen


def test_an_edge_with_a_cut_is_no_line() -> None:
    rim = rim_of(4.0)
    deep = np.abs(AT_MM + 14) < 1.0
    cut = np.where(deep, rim - 0.5, rim)
    assert find_straight_edge(side_of(cut, cut, noise=0.01), wall_mm=-1.0) is None


def test_of_rim_and_foot_the_rim_is_taken_though_half_of_the_wall_passes_for_face() -> None:
    rim = rim_of(3.5)
    mistaken = np.where(AT_MM % 6 < 3.5, rim + 0.4, rim)
    side = side_of(rim, mistaken, noise=0.02, wall=0.4, wall_shade=0.4)
    line = find_straight_edge(side, wall_mm=0.45)
    assert line is not None
    assert line.out_mm == pytest.approx(3.5, abs=0.02)
    assert line.foot_seen


def test_the_border_of_a_shadow_beyond_the_face_is_no_rim() -> None:
    rim = rim_of(3.5)
    side = side_of(rim, rim, noise=0.02, wall=0.3, wall_shade=0.5)  # the face's own shade up to the shadow's border
    assert find_straight_edge(side, wall_mm=-1.0) is None


@pytest.mark.parametrize(("grooved", "wall", "replaced"), [(False, 0.0, False), (True, 0.0, True), (False, 0.4, True)])
def test_a_path_elsewhere_is_replaced_where_foot_or_grooves_confirm_the_line(
    grooved: bool, wall: float, replaced: bool
) -> None:
    rim = rim_of(3.5)
    side = side_of(rim, rim, noise=0.02, wall=wall, wall_shade=0.4)
    line = find_straight_edge(with_grooves(side) if grooved else side, wall_mm=wall)
    assert line is not None
    assert is_followed(line, side, path_of(rim + 0.8)) == replaced
    assert is_followed(line, side, path_of(rim))


def test_a_line_that_leaves_the_direction_of_the_grooves_is_a_shadows_border() -> None:
    rim = rim_of(3.5, slope=0.012)
    side = side_of(rim, rim, noise=0.02)
    assert find_straight_edge(side, wall_mm=-1.0) is not None
    assert find_straight_edge(with_grooves(side), wall_mm=-1.0) is None


def test_a_shallow_cut_stays_where_the_path_shows_it_clearly() -> None:
    rim = rim_of(4.0)
    side = side_of(rim, rim, noise=0.01)
    line = find_straight_edge(side, wall_mm=-1.0)
    assert line is not None
    path = path_of(np.where(np.abs(AT_MM + 14) < 0.5, rim - 0.25, rim))
    cut = path.out_mm < 3.9
    told, doubted = (stands_for(line, side, path, np.full(len(cut), u)) for u in (0.02, 0.2))
    np.testing.assert_array_equal(told, ~cut)
    assert doubted.all()


def test_a_short_edge_is_left_to_the_path() -> None:
    short = AT_MM < -17
    rim = rim_of(3.5)
    whole = side_of(rim, rim, noise=0.01)
    side = Side(whole.values[:, short], whole.odds[:, short], whole.odds_alone[:, short], AT_MM[short], OUT_MM)
    assert find_straight_edge(side, wall_mm=-1.0) is None
