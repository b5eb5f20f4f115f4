"""A new profile from its sources; the keys are exact ones of tests.unit.measured_blade with small errors."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from keyid.blades.face import FaceLine, FaceLines
from keyid.errors import KeyidError
from keyid.length import Length
from keyid.new_profiles.profile_gather import Sources, codes_between, gather
from keyid.new_profiles.profile_new import profile_toml
from keyid.profiles.profile import Profile
from keyid.profiles.profile_file import parse_profile
from tests.unit.measured_blade import PIER, QUAY, key_of, measured

TODAY = datetime.date(2026, 2, 28)
NOTHING: dict[str, Any] = dict.fromkeys(
    (
        *("name", "id_", "u", "edges", "stop", "length", "width", "thickness", "grooves_left", "grooves_right"),
        *("positions", "first", "cuts", "spacing", "codes", "roots", "highest", "step", "order", "flat", "angle"),
        *("macs", "source", "cut_edge"),
    )
) | {"unit": "mm", "head": "metal", "electronics": "none"}
BY_HAND: dict[str, Any] = {
    "name": "Quay gate",
    "edges": 1,
    "stop": "shoulder",
    "width": 8.5,
    "first": 5.0,
    "cuts": 4,
    "spacing": 3.8,
    "codes": ("1", "2", "3"),
    "highest": 8.1,
    "step": 0.5,
    "order": "bow-to-tip",
}


def made(sources: Sources | None = None, **told: object) -> Profile:
    """The profile of the file that comes of it."""
    return parse_profile(profile_toml(gather(NOTHING | told, sources or Sources(), TODAY)).encode(), "new.toml")


def photo(profile: Profile, code: str, seed: int = 0) -> Any:  # noqa: ANN401  (a source's pair)
    """A measured key with its bitting as it is read."""
    codes = tuple(code.split("-"))
    return measured(key_of(profile, code), seed=seed), codes if profile.stop_first else codes[::-1]


BLANK = replace(measured(key_of(PIER, "1-1-1-1-1")), edges=None)
KEY = photo(PIER, "1-4-2-5-3")
KEYS_TELL = BY_HAND | {"highest": None, "codes": None}


def test_caliper_values_in_mm() -> None:
    profile = made(**BY_HAND, length=26.0, grooves_left=(2.0, 3.2, 5.0, 8.5))
    assert (profile.id, profile.status, profile.date) == ("quay-gate", "measured", TODAY)
    assert profile.positions_mm == pytest.approx((5.0, 8.8, 12.6, 16.4))
    assert profile.roots_mm == pytest.approx((8.1, 7.6, 7.1))
    assert profile.grooves_left_mm == ((2.0, 3.2), (5.0, 8.5))
    assert (profile.length_sd_mm, profile.width_sd_mm) == (
        0.03,
        0.03,
    )  # a careful caliper's (common practice, no source)
    assert profile.positions_sd_mm == (0.03,) * 4
    assert profile.roots_sd_mm == (0.03,) * 3


def test_caliper_values_in_inches_with_ones_own_uncertainty() -> None:
    values = BY_HAND | {"unit": "in", "width": 0.335, "first": 0.2, "spacing": 0.15, "highest": 0.32, "step": 0.02}
    profile = made(**values, u=0.001)
    assert profile.unit == "in"
    assert profile.width_mm == pytest.approx(8.509)  # .335 x 25.4
    assert profile.positions_mm == pytest.approx((5.08, 8.89, 12.7, 16.51))
    assert profile.roots_sd_mm == pytest.approx((0.0254,) * 3)


def test_roots_of_known_keys_by_caliper() -> None:
    """Two keys read from the tip; their roots stand in the order of their bittings."""
    told = {key: value for key, value in BY_HAND.items() if key not in ("highest", "step", "codes")}
    keys = (((7.11, 6.62, 7.60, 8.09), tuple("3421")), ((8.11, 7.10, 6.58, 7.58), tuple("1342")))
    profile = made(Sources(hand_keys=keys), **(told | {"order": "tip-to-bow"}))
    assert profile.codes == tuple("1234")
    assert profile.roots_mm == pytest.approx((8.1, 7.6, 7.1, 6.6), abs=0.02)
    assert all(0.01 < sd < 0.03 for sd in profile.roots_sd_mm)  # two keys know more than one caliper value


@pytest.mark.parametrize(
    ("system", "bittings"), [(PIER, ("1-4-2-5-3", "3-3-2-6-2")), (QUAY, ("1-3-2-4-1-2-3", "2-4-1-1-3-4-2"))]
)
def test_photos_of_known_keys(system: Profile, bittings: tuple[str, ...]) -> None:
    keys = tuple(photo(system, code, seed) for seed, code in enumerate(bittings))
    profile = made(Sources(photo_keys=keys), name="Learnt", order=system.order, codes=system.codes)
    assert (profile.stop, profile.edges) == (system.stop, system.edges)
    assert profile.width_mm == pytest.approx(system.width_mm, abs=2 * (profile.width_sd_mm or 0.0))
    for found, true, sds in (
        (profile.positions_mm, system.positions_mm, profile.positions_sd_mm),
        (profile.roots_mm, system.roots_mm, profile.roots_sd_mm),
    ):
        assert len(found) == len(true)
        assert all(abs(a - b) < 2.5 * sd < 0.2 for a, b, sd in zip(found, true, sds, strict=True))


def test_a_blank_with_the_cuts_of_a_known_system() -> None:
    blank = replace(measured(key_of(PIER, "1-1-1-1-1")), edges=None, width=Length(8.3, 0.04))
    profile = made(Sources(blank=blank, cuts_of=PIER), name="Blank")
    assert (profile.width_mm, profile.width_sd_mm, profile.length_mm) == (8.3, 0.04, 24.0)
    assert (profile.positions_mm, profile.roots_mm) == (PIER.positions_mm, PIER.roots_mm)
    assert (profile.positions_sd_mm, profile.flat_mm, profile.macs) == ((), 1.2, 4)
    assert "As profile pier-5" in profile.source


GROOVED = replace(
    BLANK,
    tip=np.array([[24.0, 2.5], [24.0, 5.5]]),
    faces=(
        FaceLines(
            tuple(
                FaceLine(height, 0.04, z) for height, z in ((1.2, -8.0), (1.52, 8.0), (3.08, -8.0), (3.4, 8.0))
            ),
            0.3, 7.7, 0.0, None, True, 8.0, 0.02,
        ),
    ),
)  # fmt: skip
"""A blank whose upper face has the grooves of Pier's left one."""


def test_a_blank_s_grooves_and_tip_need_the_edge_to_be_cut() -> None:
    up, down, untold = (made(Sources(GROOVED, cuts_of=PIER), name="Q", cut_edge=edge) for edge in ("up", "down", None))
    assert up.grooves_left_mm == (pytest.approx((1.2, 3.4)),)
    assert (up.grooves_right_mm, down.grooves_left_mm) == ((), ())
    assert down.grooves_right_mm == (pytest.approx((4.6, 6.8)),)
    assert (untold.grooves_left_mm, untold.grooves_right_mm, untold.tip_mm) == ((), (), ())
    assert up.tip_mm == tuple(pytest.approx((x, 8.0 - y)) for x, y in reversed(down.tip_mm))
    assert max(x for x, _ in up.tip_mm) == 24.0


def test_of_a_blank_for_two_cut_edges_either_face_may_be_the_left_one() -> None:
    told = {"edges": 2, "name": "Q", "stop": "shoulder"}
    assert len(made(Sources(GROOVED, cuts_of=PIER), **told).grooves_left_mm) == 1


def test_grooves_by_hand_go_before_those_of_a_photo() -> None:
    profile = made(Sources(GROOVED, cuts_of=PIER), name="Q", cut_edge="up", grooves_left=(1.3, 3.3))
    assert profile.grooves_left_mm == ((1.3, 3.3),)


def test_a_caliper_goes_before_a_photo() -> None:
    profile = made(Sources(blank=BLANK, cuts_of=PIER), name="Blank", width=8.05)
    assert (profile.width_mm, profile.width_sd_mm) == (8.05, 0.03)
    assert profile.source.startswith("By caliper: width. On photos of an uncut blank")


def test_what_need_not_be_asked() -> None:
    assert Sources().covers(NOTHING) == {"unit", "head", "electronics", "cut_edge"}
    assert {"stop", "width", "length"} <= Sources(blank=BLANK).covers(NOTHING)
    assert {"edges", "first", "cuts", "spacing", "codes", "step"} <= Sources(photo_keys=(KEY,)).covers({})
    assert {"first", "spacing"} <= Sources().covers({"positions": (5.0,)})
    assert {"order", "flat", "edges"} <= Sources(cuts_of=PIER).covers({})


@pytest.mark.parametrize(
    ("sources", "told", "message"),
    [
        (Sources(blank=BLANK, cuts_of=PIER), {"stop": "tip"}, "stop is told or seen in two ways"),
        (Sources(photo_keys=(KEY,)), {}, "One key on a photo"),
        (Sources(photo_keys=(KEY, KEY)), {"codes": ("1", "2")}, "is not among"),
        (Sources(hand_keys=(((7.1, 6.6), ("3", "4", "1")),)), KEYS_TELL, "2 roots by caliper and 3"),
        (Sources(hand_keys=(((7.1, 6.6), ("3", "4")),)), KEYS_TELL, "do not tell all"),
        (Sources(), BY_HAND | {"grooves_left": (1.0, 2.0, 3.0)}, "--grooves-left has 3 walls"),
        (Sources(), BY_HAND | {"roots": (8.1, 7.6)}, "2 roots and 3 codes"),
        (Sources(), BY_HAND | {"width": None}, "width is missing"),
        (Sources(), BY_HAND | {"width": 7.0}, "above the blade's width"),
        (Sources(), BY_HAND | {"first": None}, "Where the cuts stand is missing"),
        (Sources(), BY_HAND | {"step": None}, "How deep the cuts are is missing"),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_told(sources: Sources, told: dict[str, Any], message: str) -> None:
    with pytest.raises(KeyidError, match=message):
        made(sources, **({"name": "Quay"} | told))


def test_photos_of_different_blades_are_told() -> None:
    other = replace(PIER, width_mm=8.4)
    keys = (photo(PIER, "1-4-2-5-3"), photo(other, "3-3-2-6-2"))
    with pytest.raises(KeyidError, match=r"disagree about the blade's width: 8.00 and 8.40 mm"):
        made(Sources(photo_keys=keys), name="Quay")
    assert made(Sources(photo_keys=keys), name="Quay", width=8.2).width_mm == 8.2


def test_codes_between() -> None:
    assert codes_between(["14", "62"]) == tuple("123456")
    assert codes_between(["1A", "B1"]) == ("1", "A", "B")
