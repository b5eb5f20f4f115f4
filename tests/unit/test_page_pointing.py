"""Pointing on the page: a photo within a screenshot's bars, and places that are none.  Exact construction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from keyid.page.desks import Key
from keyid.page.marks import blade_view
from keyid.page.pointing import handles, pointed_at
from keyid.photos.frame import Frame
from tests.unit.example_examination import LENGTH_MM, PX_PER_MM, STOP_PX, WIDTH_MM, examination

BARS = Frame(30, 200, 900, 1000)
TIP_PX = STOP_PX + PX_PER_MM * np.array([LENGTH_MM, -WIDTH_MM / 2])


def key(frame: Frame | None = None) -> Key:
    """A key that was read, as in the file's whole picture or within a screenshot's bars."""
    made = examination()
    photo = replace(made.photo, frame=frame)
    read = Key("id", "key.jpg", 0.0, photos=(photo,), examination=replace(made, photo=photo))
    read.done["scale"] = made.scale
    return read


def test_handles_begin_where_it_was_found() -> None:
    found = handles(key())
    assert found["stop"] == pytest.approx(STOP_PX - [0, PX_PER_MM * WIDTH_MM])  # of the shoulder, at the cut edge
    assert found["tip"] == pytest.approx(TIP_PX)
    assert sorted(found["reference"]) == [(100.0, 300.0), (100.0, 560.0), (700.0, 300.0), (700.0, 560.0)]
    assert found["key"] is None


def test_places_are_the_photos_and_what_is_told_the_files() -> None:
    read = key(BARS)
    assert blade_view(read) == blade_view(key())
    pointed = pointed_at(read, "stop", [310.5, 120])
    assert pointed.stop_px == (340.5, 320.0)
    read.asked = read.asked.with_pointed(0, pointed)
    assert handles(read)["stop"] == (310.5, 120.0)


@pytest.mark.parametrize(
    ("what", "at"),
    [
        ("stop", None),
        ("stop", [1]),
        ("stop", [1, "x"]),
        ("tip", [1, float("nan")]),
        ("key", {"x": 1}),
        ("reference", [[1, 2]] * 3),
        ("head", [1, 2]),
    ],
)
def test_what_is_no_place_is_refused(what: str, at: object) -> None:
    with pytest.raises((TypeError, ValueError)):
        pointed_at(key(), what, at)
