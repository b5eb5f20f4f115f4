"""Cuts found without a profile."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyid.blades.blade_measure import measure_blade
from keyid.blades.cuts import FREE_POSITION_U_MM, find_cuts
from tests.scene import CutSpec
from tests.unit.known_scene import KEY, VIEWS, exact_outline, scale_of, view_of, viewed
from tests.unit.measured_blade import PIER, QUAY, key_of, measured, with_heights

NOISE_MM = 0.01
LANDS = "2-3-2-3-3"  # full-height land stays between all neighbours
CODES = {PIER.id: (PIER, LANDS), QUAY.id: (QUAY, "2-3-4-2-3-4-2")}


@pytest.mark.parametrize("name", CODES)
def test_cuts_are_found_where_they_were_made(name: str) -> None:
    profile, code = CODES[name]
    key = key_of(profile, code)
    cuts = find_cuts(measured(key, noise_mm=NOISE_MM))
    assert [(cut.edge, round(cut.position.mm, 0)) for cut in cuts] == [
        (c.edge, round(c.position_mm, 0)) for c in key.cuts
    ]
    for cut, made in zip(cuts, key.cuts, strict=True):
        # Crossings of two flanks by noise of 0.01 mm: 0.007 mm for their middle, four of which are 0.03.
        assert cut.position.mm == pytest.approx(made.position_mm, abs=0.04)
        # A root's median of some twenty points: 0.003 mm, and the lowest few are picked: up to one standard deviation.
        assert cut.root.mm == pytest.approx(made.root_mm, abs=0.015)
        assert cut.flat_mm == pytest.approx(key.flat_mm, abs=0.25)  # the flanks' starts count in: 0.06 mm to each side


@given(st.lists(st.sampled_from(["2", "3"]), min_size=5, max_size=5), st.floats(-0.4, 0.4))
@settings(max_examples=25, deadline=None)
def test_moving_all_cuts_moves_what_is_found(digits: list[str], moved_mm: float) -> None:
    code = "-".join(digits)
    keys = key_of(PIER, code), key_of(PIER, code, moved_mm=moved_mm)
    first, second = (find_cuts(measured(key, noise_mm=0.0)) for key in keys)
    assert len(first) == len(second) == 5
    for one, other, made in zip(first, second, keys[0].cuts, strict=True):
        assert one.position.mm == pytest.approx(made.position_mm, abs=0.03)  # half a station of the trace
        assert other.position.mm - one.position.mm == pytest.approx(moved_mm, abs=0.03)
        assert other.root.mm == pytest.approx(one.root.mm, abs=0.01)


def test_a_blank_has_no_cuts() -> None:
    blade = replace(measured(replace(key_of(PIER, "2-2-2-2-2"), cuts=())), edges=None)
    assert find_cuts(blade) == ()


def test_a_scratch_is_no_cut() -> None:
    key = key_of(PIER, LANDS)
    blade = measured(key, noise_mm=0.002)
    scratched = with_heights(blade, 1.8, 2.1, -0.1)  # below the least depth of a cut, 0.15 mm
    assert len(find_cuts(scratched)) == len(find_cuts(blade)) == 5


def test_a_cut_that_cannot_be_seen_at_all_is_not_invented() -> None:
    key = key_of(PIER, LANDS)
    hidden = with_heights(measured(key, noise_mm=0.002), 9.8, 13.0, np.nan)  # the third of five, land to land
    positions = [cut.position.mm for cut in find_cuts(hidden)]
    assert len(positions) == 4
    assert not any(9.8 < position < 13.0 for position in positions)


def test_what_is_common_to_all_heights_is_in_each_roots_uncertainty() -> None:
    key = key_of(PIER, LANDS)
    sure = measured(key, noise_mm=NOISE_MM)
    unsure = replace(sure, height_common_u_mm=0.1, station_common_u_mm=0.2, stretch_u=0.01)
    for cut in find_cuts(unsure):
        assert 0.1 <= cut.root.u_mm < 0.103  # root sum with the edge's own 0.01 mm at most
        expected = np.sqrt(0.2**2 + (0.01 * cut.position.mm) ** 2)
        assert expected <= cut.position.u_mm < expected + 0.01  # with 0.02 mm for the middle between flanks


@pytest.mark.parametrize("view", VIEWS)
def test_roots_in_pictures_are_right_within_their_uncertainty(view: tuple[float, float, float]) -> None:
    scene, outline = viewed(*view)
    cuts = find_cuts(measure_blade(outline, scale_of(scene))[0])
    assert len(cuts) == len(KEY.cuts)
    for cut, made in zip(cuts, KEY.cuts, strict=True):
        assert abs(cut.root.mm - made.root_mm) < min(2 * cut.root.u_mm, 0.05)


def test_positions_in_a_picture_whose_rims_stand_apart() -> None:
    scene, outline = viewed(*VIEWS[3])  # the other views have flanks or a shoulder whose two rims merge
    cuts = find_cuts(measure_blade(outline, scale_of(scene))[0])
    for cut, made in zip(cuts, KEY.cuts, strict=True):
        assert abs(cut.position.mm - made.position_mm) < min(2 * cut.position.u_mm, 0.08)


def test_cuts_of_an_exact_outline_are_exact() -> None:
    scene = view_of(tilt_deg=20.0, azimuth_deg=100.0, yaw_deg=140.0, picture=False)
    cuts = find_cuts(measure_blade(exact_outline(scene), scale_of(scene))[0])
    np.testing.assert_allclose([cut.position.mm for cut in cuts], [cut.position_mm for cut in KEY.cuts], atol=0.005)
    np.testing.assert_allclose([cut.root.mm for cut in cuts], [cut.root_mm for cut in KEY.cuts], atol=0.005)


def test_a_low_peak_to_a_deeper_neighbour_does_not_pull_a_cut() -> None:
    """Flats 1.4 mm apart and 1 mm apart in height, flanks of 45 degrees: the peak stands 0.2 mm over the shallower."""
    pair = (CutSpec("a", 9.0, 5.0), CutSpec("a", 11.6, 6.0))
    key = replace(key_of(PIER, LANDS), cuts=pair, flat_mm=1.2, angle_deg=90.0)
    found = find_cuts(measured(key, noise_mm=0.005))
    assert [cut.position.mm for cut in found] == pytest.approx([9.0, 11.6], abs=0.04)  # as with tall peaks, above


def test_a_shelf_is_less_sure_of_its_place_than_a_cut_between_peaks() -> None:
    """Flats 1.1 mm apart and 1 mm apart in height: hardly a peak stands between them."""
    pair = (CutSpec("a", 9.0, 5.0), CutSpec("a", 11.1, 6.0))
    key = replace(key_of(PIER, LANDS), cuts=pair, flat_mm=1.0, angle_deg=90.0)
    valley, shelf = find_cuts(measured(key, noise_mm=0.002))
    assert valley.position.mm == pytest.approx(9.0, abs=0.04)
    assert shelf.position.mm == pytest.approx(11.1, abs=2 * shelf.position.u_mm)
    assert shelf.position.u_mm > 2 * FREE_POSITION_U_MM


def test_a_cut_whose_flat_is_hidden_in_part_is_less_sure() -> None:
    """The lower rim in front of one half of a flat: where the other half's middle is, the cut's need not be."""
    key = key_of(PIER, LANDS)
    blade = measured(key, noise_mm=0.002)
    whole = find_cuts(blade)
    middle = key.cuts[2].position_mm
    hidden = find_cuts(with_heights(blade, middle - 0.05, middle + 0.9, 0.25))
    assert [cut.position.u_mm for cut in hidden[:2]] == [cut.position.u_mm for cut in whole[:2]]
    off = hidden[2].position.mm - whole[2].position.mm
    assert abs(off) > 5 * whole[2].position.u_mm
    assert abs(off) < 2 * hidden[2].position.u_mm
    assert hidden[2].root.u_mm > whole[2].root.u_mm
