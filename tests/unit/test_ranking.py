"""Checks against invented keys: the blade that was made must be found, and nothing else claimed (no source needed)."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from keyid.blades.blade import Blade
from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.rankings.decoding import WRONG_EDGE_P, EdgeReading
from keyid.rankings.joint import joint_roots
from keyid.rankings.ranking import Ranking, rank
from tests.unit.measured_blade import MOLE, PIER, QUAY, key_of, measured, with_heights

TWIN = replace(PIER, id="pier-5b", name="Pier b", grooves_left_mm=((4.4, 6.6),))
LIBRARY = (PIER, MOLE, QUAY, TWIN)
CODE = "3-1-4-2-5"


def total(ranking: Ranking) -> float:
    return sum(c.probability for c in ranking.candidates) + ranking.others + ranking.none_of_these


def test_the_key_s_blade_is_first_with_its_code() -> None:
    ranking = rank(measured(key_of(PIER, CODE)), LIBRARY)
    first = ranking.candidates[0]
    assert first.profile.id in ("pier-5", "pier-5b")
    assert "-".join(first.decoded.best[0][0]) == CODE
    assert total(ranking) == pytest.approx(1.0)


def test_blades_that_differ_in_grooves_only_share_group_and_probability() -> None:
    ranking = rank(measured(key_of(PIER, CODE)), LIBRARY)
    a, b = ranking.candidates[:2]
    assert {a.profile.id, b.profile.id} == {"pier-5", "pier-5b"}
    assert a.group == b.group
    assert a.probability == pytest.approx(b.probability)
    assert a.probability + b.probability > 0.95


def test_spacing_alone_tells_two_blades_apart() -> None:
    for profile in (PIER, MOLE):
        ranking = rank(measured(key_of(profile, CODE)), (PIER, MOLE))
        assert ranking.candidates[0].profile is profile
        assert ranking.candidates[0].probability > 0.95


def test_a_two_edged_key_with_a_tip_stop_is_found() -> None:
    ranking = rank(measured(key_of(QUAY, "2-3-1-4-2-1-3")), LIBRARY)
    assert ranking.candidates[0].profile is QUAY
    assert ranking.candidates[0].probability > 0.95
    assert ranking.candidates[0].decoded.best[0][0] == tuple("2314213")


@pytest.mark.parametrize("stretch", [1.0, 1.05])
def test_where_the_scale_is_unsure_a_stretched_blade_keeps_its_cuts(stretch: float) -> None:
    """Look-alikes spaced 4 % apart; the last cut of a blade stretched by 5 % stands 1.4 mm aside."""
    long = replace(QUAY, id="long", length_mm=34.0, positions_mm=tuple(4.0 + 2.4 * k for k in range(11)))
    short = replace(long, id="short", positions_mm=tuple(4.0 + 2.5 * k for k in range(10)))
    blade = measured(key_of(long, "2-3-1-4-2-4-3-2-3-2-3"))
    a, b = (replace(trace, x_mm=stretch * trace.x_mm) for trace in (blade.a, blade.b))
    first = rank(replace(blade, a=a, b=b, stretch_u=0.025), (long, short)).candidates[0]
    assert first.profile is long
    assert first.decoded.best[0][0] == tuple("23142432323")


def test_a_key_in_no_file_is_none_of_these() -> None:
    other = replace(PIER, positions_mm=(4.6, 7.6, 10.6, 13.6, 16.6), roots_mm=(7.7, 7.28, 6.86, 6.44, 6.02, 5.6))
    ranking = rank(measured(key_of(other, CODE)), LIBRARY)
    assert ranking.none_of_these > 0.9
    assert total(ranking) == pytest.approx(1.0)


def test_a_worn_key_keeps_its_code_and_shows_its_wear() -> None:
    ranking = rank(measured(key_of(PIER, CODE, lower_mm=0.11, wear_radius_mm=0.3)), LIBRARY)
    decoded = ranking.candidates[0].decoded
    assert "-".join(decoded.best[0][0]) == CODE
    assert decoded.wear.mm == pytest.approx(0.11, abs=0.04)
    assert [root.mm for root in decoded.roots] == pytest.approx([6.64, 7.64, 6.14, 7.14, 5.64], abs=0.03)


def test_a_copy_off_its_stop_shows_its_shift() -> None:
    decoded = rank(measured(key_of(PIER, CODE, moved_mm=0.35)), LIBRARY).candidates[0].decoded
    assert decoded.shift.mm == pytest.approx(0.35, abs=0.04)
    assert [p.mm for p in decoded.positions] == pytest.approx(np.asarray(PIER.positions_mm) + 0.35, abs=0.04)


def test_an_uncut_blade_is_ranked_by_its_size() -> None:
    blade = measured(key_of(PIER, CODE, cuts=()))
    ranking = rank(replace(blade, edges=None), LIBRARY)
    assert {c.group for c in ranking.candidates[:3]} == {ranking.candidates[0].group}
    assert {c.profile.id for c in ranking.candidates[:3]} == {"pier-5", "pier-5b", "mole-5"}
    assert ranking.candidates[0].decoded.best == ()


def test_edges_wrongly_counted_do_not_hide_the_blade() -> None:
    blade = measured(key_of(QUAY, "1-2-1-2-1-1-2"))
    ranking = rank(replace(blade, edges=1), LIBRARY)
    assert ranking.candidates[0].profile is QUAY
    assert any("edges cut" in text for text in ranking.candidates[0].decoded.speaks_against)


def test_a_stop_taken_for_the_other_kind_does_not_hide_the_blade() -> None:
    key = key_of(PIER, CODE)
    blade = measured(key)
    flipped = [replace(t, height_mm=t.height_mm[::-1], x_mm=t.x_mm) for t in (blade.a, blade.b)]
    blade = replace(blade, stop="tip", length=None, a=flipped[0], b=flipped[1])
    ranking = rank(blade, LIBRARY)
    assert ranking.candidates[0].profile.id in ("pier-5", "pier-5b")
    assert "-".join(ranking.candidates[0].decoded.best[0][0]) == CODE


@pytest.mark.parametrize(
    "change",
    [
        {"flat_mm": 1.1},
        {"angle_deg": 84.0},
        {"positions_mm": tuple(x + 0.2 for x in PIER.positions_mm)},
        {"positions_sd_mm": (0.1,) * len(PIER.positions_mm)},
        {"length_mm": (PIER.length_mm or 0.0) + 0.4},
        {"length_sd_mm": 0.3},
        {"edges": 2},
        {"stop": "tip"},
        {"roots_mm": (PIER.width_mm, *PIER.roots_mm[1:])},
        {"roots_mm": tuple(x - 0.1 for x in PIER.roots_mm)},
        {"roots_sd_mm": (0.05,) * len(PIER.roots_mm)},
        {"thickness_mm": 1.5},
        {"macs": 1},
    ],
)
def test_a_blade_is_weighed_beside_a_look_alike_as_it_is_alone(change: dict[str, Any]) -> None:
    blade = measured(key_of(PIER, CODE))
    other = replace(PIER, id="look-alike", **change)
    ranking = rank(blade, (PIER, other), asked=other)
    beside = {c.profile.id: c.decoded for c in ranking.candidates}
    assert ranking.asked is not None
    assert ranking.asked.decoded.log_evidence == pytest.approx(alone(blade, other), abs=1e-9)
    assert beside[PIER.id].log_evidence == pytest.approx(alone(blade, PIER), abs=1e-9)


def alone(blade: Blade, profile: Profile) -> float:
    return rank(blade, (profile,)).candidates[0].decoded.log_evidence


def test_the_words_against_hold_the_numbers() -> None:
    blade = replace(measured(key_of(PIER, CODE)), width=Length(8.41, 0.03))
    candidate = rank(blade, (PIER,)).candidates[0]
    assert "width 8.41 ±0.06 mm; this blade 8.00: 0.41 mm off" in candidate.decoded.speaks_against
    candidate = rank(measured(key_of(PIER, CODE)), (PIER,)).candidates[0]
    assert candidate.decoded.speaks_against == ()
    assert "width 8.00 ±0.04 mm; this blade 8.00" in candidate.decoded.speaks_for


def test_a_hidden_cut_is_not_read_and_does_not_hide_the_blade() -> None:
    blade = with_heights(measured(key_of(PIER, CODE)), 10.7, 12.1, np.nan)
    decoded = rank(blade, LIBRARY).candidates[0].decoded
    assert decoded.roots[2] is None
    assert max(decoded.code_probabilities[2].values()) < 0.5
    assert [root is not None for root in decoded.roots] == [True, True, False, True, True]


def test_at_most_ten_candidates_are_listed_and_the_rest_counted() -> None:
    many = tuple(replace(PIER, id=f"pier-{n}") for n in range(40))
    ranking = rank(measured(key_of(PIER, CODE)), many)
    assert len(ranking.candidates) == 10
    assert ranking.others == pytest.approx(30 * ranking.candidates[0].probability, rel=1e-6)


def test_an_empty_library_leaves_none_of_these() -> None:
    ranking = rank(measured(key_of(PIER, CODE)), ())
    assert ranking.candidates == ()
    assert ranking.none_of_these == pytest.approx(1.0)


def test_a_key_with_fewer_cuts_than_places_is_read_with_as_many_as_it_has() -> None:
    both = replace(PIER, counts=(4, 5))
    key = key_of(replace(PIER, positions_mm=PIER.positions_mm[:4]), "3-1-4-2")
    candidate = rank(measured(key), (both,)).candidates[0]
    assert candidate.profile is both
    assert candidate.decoded.best[0][0] == tuple("3142")
    five = rank(measured(key_of(PIER, CODE)), (both,)).candidates[0]
    assert "-".join(five.decoded.best[0][0]) == CODE


def test_odd_traces_are_ranked_without_a_fault() -> None:
    blade = measured(key_of(PIER, CODE))
    nothing = np.full(len(blade.a.x_mm), np.nan)
    blind = replace(blade, a=replace(blade.a, height_mm=nothing, u_mm=nothing))
    short = replace(
        blade, a=replace(blade.a, x_mm=blade.a.x_mm[:60], height_mm=blade.a.height_mm[:60], u_mm=blade.a.u_mm[:60])
    )
    unknown = replace(blade, stop="unknown", length=None)
    for odd in (blind, short, unknown, replace(blade, edges=2), replace(blade, length=None)):
        assert total(rank(odd, LIBRARY)) == pytest.approx(1.0)


def test_a_shoulder_seen_at_a_wrong_place_does_not_hide_the_blade() -> None:
    blade = measured(key_of(PIER, CODE))
    moved = [replace(trace, x_mm=trace.x_mm - 0.5) for trace in (blade.a, blade.b)]
    blade = replace(blade, a=moved[0], b=moved[1], length=Length(23.5, 0.03))
    ranking = rank(blade, LIBRARY)
    assert ranking.candidates[0].profile.id in ("pier-5", "pier-5b")
    assert ranking.none_of_these < 0.05


def test_the_joint_root_of_two_edges_is_less_sure_when_they_disagree() -> None:
    def edge(root: float) -> EdgeReading:
        one = np.array([root])
        return EdgeReading(one, one * 0 + 0.02, one, one * 0 + 0.02, one * 0 + WRONG_EDGE_P, one, 0.5)

    mean, u = joint_roots((edge(7.00), edge(7.02)))
    assert (mean[0], u[0]) == pytest.approx((7.01, 0.02 / 2**0.5))
    mean, u = joint_roots((edge(7.0), edge(7.3)))
    assert (mean[0], u[0]) == pytest.approx((7.15, 0.15))


def test_a_stretch_astray_costs_no_more_than_its_own_cut() -> None:
    for first, last, add in ((10.4, 13.0, 0.8), (5.0, 7.0, -0.6), (19.6, 22.4, -1.0), (0.2, 2.0, -0.5)):
        blade = with_heights(measured(key_of(PIER, CODE)), first, last, add)
        ranking = rank(blade, LIBRARY)
        assert ranking.candidates[0].profile.id in ("pier-5", "pier-5b")
        assert ranking.none_of_these < 0.05, (first, last, add)


def test_a_width_between_wrong_lines_does_not_hide_the_blade() -> None:
    for width in (7.25, 7.75, 8.6):
        ranking = rank(replace(measured(key_of(PIER, CODE)), width=Length(width, 0.03)), LIBRARY)
        assert ranking.candidates[0].profile.id in ("pier-5", "pier-5b")
        assert ranking.none_of_these < 0.1, width


def test_blades_that_differ_in_width_alone_are_still_told_apart() -> None:
    wide = replace(PIER, id="pier-wide", width_mm=8.3)
    ranking = rank(measured(key_of(PIER, CODE)), (PIER, wide))
    assert ranking.candidates[0].profile is PIER
    assert ranking.candidates[0].probability > 0.95


def test_heights_over_a_wrong_line_leave_the_codes_open() -> None:
    blade = measured(key_of(PIER, CODE), common_mm=0.0)
    a = replace(blade.a, height_mm=blade.a.height_mm + 0.35)
    first = rank(replace(blade, a=a, width=Length(7.1, 0.03)), (PIER,)).candidates[0]
    likeliest, p = first.decoded.best[0]
    assert "-".join(likeliest) == CODE or p < 0.9


def test_two_edges_whose_lines_err_on_their_own_are_read_as_one_bitting() -> None:
    blade = measured(key_of(QUAY, "2-3-1-4-2-1-3"))
    a = replace(blade.a, height_mm=blade.a.height_mm - 0.15)
    blade = replace(blade, a=a, width=Length(8.85, 0.08), height_common_u_mm=0.05)
    first = rank(blade, LIBRARY).candidates[0]
    assert first.profile is QUAY
    assert first.decoded.best[0][0] == tuple("2314213")


def with_wall_as_face(mm: float) -> Ranking:
    """The wall below the uncut edge was taken for face: every root and the width are too great."""
    blade = measured(key_of(PIER, "3-2-4-3-5"))
    off = replace(blade.a, height_mm=blade.a.height_mm + mm)
    return rank(replace(blade, a=off, width=Length(blade.width.mm + mm, blade.width.u_mm)), LIBRARY)


@pytest.mark.parametrize("mm", [0.3, 0.4])
def test_a_width_that_is_too_great_by_as_much_tells_of_a_wrong_rim(mm: float) -> None:
    assert with_wall_as_face(mm).candidates[0].decoded.best[0][0] == tuple("32435")


def test_a_wrong_rim_by_just_a_step_leaves_the_codes_open() -> None:
    (first, p), (second, rest) = with_wall_as_face(0.5).candidates[0].decoded.best[:2]
    assert {first, second} == {tuple("32435"), tuple("21324")}
    assert p < 0.8
    assert rest > 0.2
