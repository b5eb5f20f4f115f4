"""The reading's fixed JSON form, and rounding that keeps what it must."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyid.errors import PhotoError
from keyid.length import Length
from keyid.readings.reading import PhotoFacts, error_json, length_json, rounded_shares
from tests.unit.example_reading import NEXT, reading

# The contract's keys, as the form keyid-reading/1 is fixed for other programs.
TOP = [
    "format",
    "photo",
    "scale",
    "blade",
    "cuts",
    "candidates",
    "others",
    "none_of_these",
    "next_measurement",
    "bitting",
    "cautions",
    "confirm",
]
INSIDE = {
    "photo": ["file", "sha256", "width_px", "height_px"],
    "scale": ["reference", "px_per_mm", "tilt_deg", "focal"],
    "blade": ["stop", "edges", "length", "width", "axis_px"],
    "next_measurement": ["what", "why"],
    "bitting": ["profile", "order", "code", "probability", "cuts", "also", "wear_mm", "shift_mm"],
}
ROWS = {
    "cuts": ["edge", "position", "root", "px"],
    "candidates": ["profile", "probability", "group", "blanks", "for", "against"],
    "confirm": ["what", "expected", "tolerance"],
}


def test_the_fixed_form() -> None:
    made = json.loads(json.dumps(reading(next_measurement=NEXT).to_json(), allow_nan=False))
    assert list(made) == TOP
    assert made["format"] == "keyid-reading/1"
    assert {name: list(made[name]) for name in INSIDE} == INSIDE
    assert {name: list(made[name][0]) for name in ROWS} == ROWS
    assert list(made["candidates"][0]["blanks"][0]) == ["id", "for", "against"]
    assert list(made["bitting"]["cuts"][0]) == ["position", "root", "code", "probability", "others"]
    assert made["blade"]["width"] == {"value": 8.512, "u": 0.0201}
    assert made["blade"]["axis_px"] == [[100.0, 200.0], [700.0, 220.0]]
    assert made["bitting"]["cuts"][0]["others"] == [["2", 0.04]]


def test_several_photos_of_one_key_are_a_list_with_their_notes() -> None:
    further = (PhotoFacts("again.jpg", "1" * 64, 4000, 3000),)
    made = reading(further_photos=further, notes=("The photos disagree.",)).to_json()
    assert [photo["file"] for photo in made["photo"]] == ["key.jpg", "again.jpg"]
    assert made["notes"] == ["The photos disagree."]


def test_what_can_be_missing_is_null() -> None:
    bare = reading(bitting=None, next_measurement=None).to_json()
    assert (bare["bitting"], bare["next_measurement"]) == (None, None)


def test_stated_probabilities_add_up_to_one() -> None:
    made = reading().to_json()
    stated = [c["probability"] for c in made["candidates"]] + [made["others"], made["none_of_these"]]
    assert math.isclose(sum(stated), 1.0, abs_tol=1e-12)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=60).filter(lambda shares: sum(shares) > 1e-6))
def test_rounded_shares_add_up_and_stay_within_a_digit(weights: list[float]) -> None:
    shares = [w / sum(weights) for w in weights]
    rounded = rounded_shares(shares)
    assert sum(round(share * 10_000) for share in rounded) == 10_000
    assert all(abs(a - b) < 1.0001e-4 for a, b in zip(shares, rounded, strict=True))


@pytest.mark.parametrize(("u", "stated"), [(0.0, 0.0), (0.00001, 0.0001), (0.021, 0.021), (0.02101, 0.0211)])
def test_a_stated_uncertainty_is_never_rounded_down(u: float, stated: float) -> None:
    assert length_json(Length(8.41237, u)) == {"value": 8.4124, "u": stated}


def test_the_error_form() -> None:
    error = PhotoError("no-key", "No key was found.", "Lay one down.")
    assert error_json(error) == {
        "format": "keyid-reading/1",
        "error": {"code": "no-key", "message": "No key was found.", "advice": "Lay one down."},
    }
