"""Grooves read without a profile: from lines made of them, and from a drawn face (no source needed)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from keyid.blades.blade_measure import measure_blade
from keyid.blades.face import FaceLine, FaceLines
from keyid.blades.face_lines import find_face_lines
from keyid.new_profiles.grooves import read_grooves
from keyid.rankings.groove_evidence import expected_lines
from tests.unit.known_scene import CLEAN, KEY, exact_outline, photo_of, scale_of, view_of

WIDTH = 8.0
Grooves = tuple[tuple[float, float], ...]


def face_of(grooves: Grooves, *further: float, parallax: float = 0.0, hidden: tuple[int, ...] = ()) -> FaceLines:
    """A face that shows all lines of its grooves, darker on their walls, but for those hidden; and further lines."""
    lines = []
    for near, far in grooves:
        rims, floors = expected_lines(((near, far),), WIDTH, parallax)
        signs = ((rims[0], -1), (floors[0], 1), (floors[1], -1), (rims[1], 1))
        lines += [FaceLine(height, 0.04, 8.0 * sign) for height, sign in signs]
    kept = [line for number, line in enumerate(lines) if number not in hidden]
    kept = sorted([*kept, *(FaceLine(height, 0.04, 5.0) for height in further)], key=lambda line: line.height_mm)
    return FaceLines(tuple(kept), 0.3, WIDTH - 0.3, parallax, 1, True, WIDTH, 0.02)


def read(face: FaceLines) -> list[tuple[float, float]]:
    return [(groove.near.mm, groove.far.mm) for groove in read_grooves(face)]


@pytest.mark.parametrize(
    "grooves",
    [
        ((1.2, 3.4),),
        ((1.1, 2.6), (4.5, 6.3)),
        ((3.1, 4.7), (5.1, 6.7)),
        ((0.8, 2.1), (2.8, 4.1), (4.9, 6.2)),
    ],
)
@pytest.mark.parametrize("parallax", [-0.2, 0.0, 0.2])
def test_every_groove_is_read(grooves: Grooves, parallax: float) -> None:
    assert read(face_of(grooves, parallax=parallax)) == [pytest.approx(groove) for groove in grooves]


def test_a_rim_that_is_not_seen_follows_from_the_floor_less_surely() -> None:
    (groove,) = read_grooves(face_of(((1.2, 3.4),), hidden=(0,)))
    assert groove.near.mm == pytest.approx(1.2, abs=0.01)
    assert groove.near.u_mm > 0.1 > groove.far.u_mm
    assert groove.far.mm == pytest.approx(3.4)


def test_lines_within_a_groove_are_its_shade() -> None:
    assert read(face_of(((2.0, 4.4),), 3.1)) == [pytest.approx((2.0, 4.4))]


@pytest.mark.parametrize("lines", [(), (2.0,), (2.0, 3.5)])
def test_few_lines_are_no_groove(lines: tuple[float, ...]) -> None:
    assert read(face_of((), *lines)) == []


def test_from_a_picture() -> None:
    """Two grooves whose leaning walls are drawn as dark bands."""
    rims, walls = ((1.0, 3.0), (3.8, 5.6)), ((1.0, 1.31), (2.69, 3.0), (3.8, 4.11), (5.29, 5.6))
    scene = view_of(replace(KEY, grooves_mm=walls), look=replace(CLEAN, brushed=0.05))
    blade, frame = measure_blade(exact_outline(scene), scale_of(scene))
    face = find_face_lines(photo_of(scene), blade, frame)
    assert face is not None
    found = read_grooves(face)
    assert len(found) == len(rims)
    for groove, (near, far) in zip(found, rims, strict=True):
        assert abs(groove.near.mm - near) < 2 * groove.near.u_mm
        assert abs(groove.far.mm - far) < 2 * groove.far.u_mm
