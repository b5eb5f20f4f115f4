"""Grooves as evidence, on lines made from them (no source needed: what must be told follows from how they are made)."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from keyid.blades.blade import Blade
from keyid.blades.face import FaceLine, FaceLines
from keyid.profiles.profile import Profile
from keyid.rankings.groove_evidence import FILE_WRONG_P, expected_lines, groove_evidence, kinds, turned
from keyid.rankings.groove_reasons import groove_reasons
from keyid.rankings.ranking import rank
from tests.unit.measured_blade import PIER, QUAY, key_of, measured

CODE = "3-1-4-2-5"
WIDTH = PIER.width_mm
TWIN = replace(
    PIER,
    id="pier-mirrored",
    name="Mirrored pier",
    grooves_left_mm=turned(PIER.grooves_left_mm, WIDTH),
    grooves_right_mm=turned(PIER.grooves_right_mm, WIDTH),
)
UNTOLD = replace(PIER, id="pier-untold", name="Untold pier", grooves_left_mm=(), grooves_right_mm=())
BOTH = (PIER, TWIN)


def face(*heights: float, a_is_upper: bool = True, blade: Profile = PIER) -> FaceLines:
    """Lines at given heights on a face of which all but the edges is seen."""
    lines = tuple(FaceLine(height, 0.04, 8.0) for height in sorted(heights))
    return FaceLines(lines, 0.3, blade.width_mm - 0.3, 0.0, blade.edges, a_is_upper, blade.width_mm, 0.02)


def lines_of(profile: Profile, side: str, moved_mm: float = 0.0) -> list[float]:
    """All that a face of a blade should show, moved across."""
    grooves = profile.grooves_left_mm if side == "left" else profile.grooves_right_mm
    rims, floors = expected_lines(grooves, profile.width_mm, 0.0)
    return [height + moved_mm for height in (*rims, *floors)]


def blade_with(*faces: FaceLines) -> Blade:
    return replace(measured(key_of(PIER, CODE)), faces=faces)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("right", "wrong"), [(PIER, TWIN), (TWIN, PIER)])
def test_blades_that_differ_in_grooves_only_are_told_apart(right: Profile, wrong: Profile, side: str) -> None:
    lines = face(*lines_of(right, side), a_is_upper=side == "left")
    ranking = rank(blade_with(lines), BOTH, asked=wrong)
    first = ranking.candidates[0]
    assert first.profile is right
    assert first.probability > 0.95
    assert ranking.asked is not None
    assert ranking.asked.group != first.group


def test_rims_alone_or_floors_alone_suffice() -> None:
    rims, floors = expected_lines(PIER.grooves_left_mm, WIDTH, 0.0)
    for seen in (rims, floors):
        ranking = rank(blade_with(face(*seen)), BOTH)
        assert ranking.candidates[0].profile is PIER
        assert ranking.candidates[0].probability > 0.8


def test_a_datum_that_is_off_does_not_turn_the_decision() -> None:
    for moved in (-0.2, 0.2):
        ranking = rank(blade_with(face(*lines_of(PIER, "left", moved))), BOTH)
        assert ranking.candidates[0].profile is PIER


def test_an_extra_line_does_not_turn_the_decision() -> None:
    ranking = rank(blade_with(face(*lines_of(PIER, "left"), 5.6)), BOTH)
    assert ranking.candidates[0].profile is PIER
    assert ranking.candidates[0].probability > 0.95


@pytest.mark.parametrize("faces", [(), (face(),)])
def test_a_face_that_shows_nothing_says_nothing(faces: tuple[FaceLines, ...]) -> None:
    ranking = rank(blade_with(*faces), BOTH)
    a, b = ranking.candidates
    assert a.group == b.group
    assert a.probability == pytest.approx(b.probability, abs=0.02)
    said = [text for c in (a, b) for text in (*c.decoded.speaks_for, *c.decoded.speaks_against)]
    assert not any("groove" in text for text in said)


def test_a_blade_whose_file_tells_no_grooves_is_weighed_like_an_unlisted_one() -> None:
    for faces in ((), (face(),), (face(*lines_of(PIER, "left")),)):
        evidence = groove_evidence(faces, (*BOTH, UNTOLD))
        assert evidence.of(UNTOLD) == evidence.unlisted


def test_wrong_grooves_cost_a_blade_no_more_than_a_wrong_file_is_rare() -> None:
    evidence = groove_evidence((face(5.1, 5.6, 6.4, 7.0),), (PIER,))
    assert evidence.of(PIER) < evidence.unknown
    assert evidence.of(PIER) >= evidence.unknown + math.log(FILE_WRONG_P)


def test_of_a_key_cut_on_both_edges_either_face_may_be_up() -> None:
    left = replace(QUAY, grooves_left_mm=((2.0, 3.6),), grooves_right_mm=((5.6, 7.4),))
    ways = (lines_of(left, "left"), [left.width_mm - height for height in lines_of(left, "right")])
    other = replace(left, grooves_left_mm=((3.4, 5.0),), grooves_right_mm=((4.2, 6.0),))
    for seen in ways:
        evidence = groove_evidence((face(*seen, blade=left),), (left, other))
        assert evidence.of(left) > evidence.of(other) + math.log(20)


def test_a_groove_that_is_open_at_an_edge_has_one_rim() -> None:
    rims, floors = expected_lines(((0.0, 1.7), (6.0, 8.0)), 8.0, 0.0)
    assert rims == [1.7, 6.0]
    assert len(floors) == 2


def test_parallax_moves_the_floor_and_not_the_rims() -> None:
    level, moved = (expected_lines(((2.0, 4.0),), 8.0, parallax) for parallax in (0.0, 0.2))
    assert level[0] == moved[0]
    assert [after - before for before, after in zip(level[1], moved[1], strict=True)] == pytest.approx([0.14, 0.14])


def test_turning_twice_changes_nothing() -> None:
    grooves = ((1.2, 3.4), (5.0, 8.0))
    assert turned(grooves, 8.0) == (pytest.approx((0.0, 3.0)), pytest.approx((4.6, 6.8)))
    assert turned(turned(grooves, 8.0), 8.0) == tuple(pytest.approx(groove) for groove in grooves)


def test_the_reasons_name_lines_and_grooves() -> None:
    faces = (face(*lines_of(PIER, "left")),)
    speaks_for, against = groove_reasons(PIER, faces)
    assert against == ()
    assert speaks_for == (
        "groove lines 1.20, 1.51, 3.08, 3.40 ±0.09 mm from the uncut edge; this blade's left face 1.20 to 3.40",
    )
    speaks_for, against = groove_reasons(TWIN, faces)
    assert speaks_for == ()
    assert against[0].endswith("this blade's left face 4.60 to 6.80: no line within 50 u of 6.80")


def test_a_face_that_is_not_told_gives_no_reason() -> None:
    assert groove_reasons(UNTOLD, (face(1.2, 3.4),)) == ((), ())


def test_several_photos_decide_together() -> None:
    rims, _ = expected_lines(PIER.grooves_left_mm, WIDTH, 0.0)
    one = groove_evidence((face(rims[0]),), BOTH)
    two = groove_evidence((face(rims[0]), face(rims[1])), BOTH)
    assert two.of(PIER) - two.of(TWIN) > one.of(PIER) - one.of(TWIN) > 0


def test_blades_are_of_one_kind_unless_told_apart_twenty_to_one() -> None:
    assert kinds([0.0, -2.9, 5.0, -3.1, 2.1]) == [1, 1, 0, 2, 0]
