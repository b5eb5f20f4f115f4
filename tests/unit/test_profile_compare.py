"""What tells blades apart; the blades are the demonstration's, whose files say in words how they differ."""

from __future__ import annotations

from dataclasses import replace

import pytest

from keyid.profiles.library import load_library, shipped_folder
from keyid.profiles.profile import Profile
from keyid.profiles.profile_compare import WIDTH_U_MM, Comparison, Feature, compare, look_alikes, photo_tells_apart


@pytest.fixture(scope="module")
def demo() -> dict[str, Profile]:
    return {profile.id: profile for profile in load_library(shipped_folder() / "demo").profiles}


def feature(comparison: Comparison, name: str) -> Feature:
    return next(f for f in comparison.features if f.name == name)


def test_cuts_that_start_elsewhere(demo: dict[str, Profile]) -> None:
    found = compare([demo["harbour-office"], demo["customs-house"]])
    first = feature(found, "first cut")
    assert first.gaps_mm == pytest.approx((0.4,))  # customs-house.toml: 5.5 instead of 5.9
    assert first.photo == "yes"
    assert feature(found, "width").same
    assert found.look_alike == ()
    assert found.measure is first


def test_grooves_alone_are_left_to_the_caliper(demo: dict[str, Profile]) -> None:
    found = compare([demo["harbour-office"], demo["harbour-archive"]])
    differ = {f.name for f in found.features if not f.same}
    assert differ == {"left grooves", "right grooves", "heads", "head colours"}
    assert found.look_alike == (("harbour-office", "harbour-archive"),)
    assert found.measure is not None
    assert found.measure.name == "left grooves"
    assert found.measure.numbers == pytest.approx((1.3, 2.1))


def test_one_spacing_shows_over_all_cuts(demo: dict[str, Profile]) -> None:
    """2.7 instead of 2.6 mm: 0.1 mm is little for one cut, and 0.7 mm from the first of eight to the last."""
    found = compare([demo["ferry-saloon"], demo["ferry-bridge"]])
    assert feature(found, "spacing").gaps_mm == pytest.approx((0.1,))
    assert feature(found, "first to last").gaps_mm == pytest.approx((0.7,))
    assert feature(found, "spacing").photo == "yes"


@pytest.mark.parametrize(("apart", "photo"), [(4.1, "yes"), (3.0, "unsure"), (1.9, "no")])
def test_a_photo_decides_by_its_uncertainty(demo: dict[str, Profile], apart: float, photo: str) -> None:
    one = demo["harbour-gate"]
    other = replace(one, id="other", width_mm=one.width_mm + apart * WIDTH_U_MM)
    assert feature(compare([one, other]), "width").photo == photo
    assert photo_tells_apart(one, other) == (photo == "yes")


def test_a_width_that_no_source_prints_decides_nothing(demo: dict[str, Profile]) -> None:
    one = demo["harbour-gate"]
    other = replace(one, id="other", width_mm=one.width_mm + 0.4, width_sd_mm=0.38)
    width = feature(compare([one, other]), "width")
    assert width.photo == "no"
    assert compare([one, other]).measure is None


def test_a_tip_stops_length_is_hidden(demo: dict[str, Profile]) -> None:
    one = replace(demo["harbour-gate"], stop="tip")
    other = replace(one, id="other", length_mm=(one.length_mm or 0.0) + 3.0)
    assert feature(compare([one, other]), "length").photo == "no"


def test_depth_tables_with_the_same_ends_can_differ(demo: dict[str, Profile]) -> None:
    one = demo["harbour-gate"]
    other = replace(one, id="other", roots_mm=(one.roots_mm[0], one.roots_mm[1] - 0.19, *one.roots_mm[2:]))
    depths = feature(compare([one, other]), "depths")
    assert not depths.same
    assert depths.photo == "unsure"  # it shows only on a key that has such a cut
    assert "0.190 mm" in depths.note


def test_look_alikes_of_a_library(demo: dict[str, Profile]) -> None:
    found = look_alikes(demo["harbour-office"], demo.values())
    # other grooves, and depths in steps of 0.42 instead of 0.38 mm, which show only on a key with deep cuts
    assert [profile.id for profile in found] == ["harbour-archive", "pilot-station"]


def test_published_look_alikes_need_the_first_cut() -> None:
    """Schlage .231 and Sargent .215 to the first cut: 0.016 in = 0.406 mm (see tests/published for the sources)."""
    published = {p.id: p for p in load_library(shipped_folder() / "published").profiles}
    found = compare([published["schlage-classic-5"], published["sargent-5"]])
    assert feature(found, "first cut").gaps_mm == pytest.approx((0.4064,))
    assert found.measure is not None
    assert found.measure.name == "first cut"
