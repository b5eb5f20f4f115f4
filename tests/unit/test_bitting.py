"""Checks against invented keys and against sums worked out another way (no source needed)."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from keyid.blades.blade import Blade
from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.rankings.codes import best_bittings, code_posterior
from keyid.rankings.decoding import WRONG_EDGE_P, EdgeReading
from keyid.rankings.ranking import Ranking, rank
from keyid.readings.bitting import confirm_list, group_probability, next_measurement, read_bitting
from keyid.readings.reading import BittingFacts
from tests.unit.measured_blade import MOLE, PIER, QUAY, key_of, measured, with_heights

CODE = "3-1-4-2-5"
TWIN = replace(PIER, id="pier-5b", name="Pier b", grooves_left_mm=((4.4, 6.6),))
WIDTH = Length(PIER.width_mm, 0.02)
SHORT = replace(PIER, positions_mm=(4.2, 7.8, 11.4), macs=2)


def reading_of(roots: list[float], u: float = 0.03) -> EdgeReading:
    root = np.array(roots)
    nothing = np.full(len(root), np.nan)
    return EdgeReading(root, np.full(len(root), u), nothing, nothing, np.full(len(root), WRONG_EDGE_P), nothing, 0.5)


def bitting_of(blade: Blade, library: tuple[Profile, ...] = (PIER, MOLE, QUAY)) -> tuple[BittingFacts | None, Ranking]:
    ranking = rank(blade, library)
    return read_bitting(ranking, blade), ranking


def test_the_code_stands_in_the_order_of_reading_out() -> None:
    bitting, _ = bitting_of(measured(key_of(PIER, CODE)))
    assert (bitting.code, bitting.order, bitting.profile) == (CODE, "bow-to-tip", "pier-5")
    assert [cut.code for cut in bitting.cuts] == CODE.split("-")
    backwards = replace(PIER, order="tip-to-bow")
    bitting, _ = bitting_of(measured(key_of(PIER, CODE)), (backwards,))
    assert bitting.code == "5-2-4-1-3"
    assert bitting.cuts[0].position.mm > bitting.cuts[-1].position.mm


def test_a_two_edged_tip_stop_key_is_read_with_full_height_cuts_at_their_places() -> None:
    bitting, _ = bitting_of(measured(key_of(QUAY, "1-3-1-4-2-1-3")))
    assert bitting.code == "1-3-1-4-2-1-3"
    assert bitting.cuts[0].position.mm == pytest.approx(4.4, abs=0.03)


def test_probabilities_are_those_of_blade_and_code_together() -> None:
    bitting, ranking = bitting_of(measured(key_of(PIER, CODE)), (PIER, TWIN, MOLE))
    blade_p = group_probability(ranking, ranking.candidates[0].group)
    assert bitting.probability <= min(cut.probability for cut in bitting.cuts) + 1e-9
    for cut in bitting.cuts:
        assert cut.probability + sum(p for _, p in cut.others) <= blade_p + 1e-9


def test_the_nearest_code_is_not_the_likeliest_on_a_worn_key() -> None:
    # four roots 0.18 mm low, one 0.28 mm low and so nearer to the next code down
    reading = reading_of([7.07, 6.57, 7.07, 6.57, 6.47], u=0.05)
    codes, _ = best_bittings(PIER, (reading,), WIDTH, 0.1)[0]
    assert codes == ("2", "3", "2", "3", "3")


def test_wear_only_removes_metal() -> None:
    low = code_posterior(PIER, (reading_of([6.65, 7.65, 6.15, 7.15, 5.65]),), WIDTH, 0.01)
    high = code_posterior(PIER, (reading_of([6.85, 7.85, 6.35, 7.35, 5.85]),), WIDTH, 0.01)
    assert low.wear_mm == pytest.approx(0.1, abs=0.03)
    assert high.wear_mm < 0.03
    assert low.log_evidence > high.log_evidence + 3


def test_posterior_equals_the_sum_over_all_bittings() -> None:
    reading = reading_of([7.45, 6.6, 6.42], u=0.06)
    posterior = code_posterior(SHORT, (reading,), WIDTH, 0.05)
    told = dict(best_bittings(SHORT, (reading,), WIDTH, 0.05))
    brute = brute_force(SHORT, reading, 0.05)
    assert sum(brute.values()) == pytest.approx(1.0)
    for codes, p in told.items():
        assert p == pytest.approx(brute[codes], abs=1e-3)
    for n, row in enumerate(posterior.probabilities):
        for c, p in zip(SHORT.codes, row, strict=True):
            assert p == pytest.approx(sum(q for codes, q in brute.items() if codes[n] == c), abs=1e-3)


def brute_force(profile: Profile, reading: EdgeReading, height_u: float) -> dict[tuple[str, ...], float]:
    """Every bitting's probability, cut by cut, with the likelihood of each code alone taken from one-cut profiles."""
    weights = {}
    for numbers in itertools.product(range(len(profile.codes)), repeat=len(profile.positions_mm)):
        one = replace(profile, codes=("x",), roots_mm=(0.0,), macs=None)
        moved = replace(reading, root_mm=reading.root_mm - np.asarray(profile.roots_mm)[list(numbers)])
        log = code_posterior(one, (moved,), WIDTH, height_u).log_evidence
        broken = np.sum(np.abs(np.diff(numbers)) > profile.macs)
        weights[tuple(profile.codes[i] for i in numbers)] = np.exp(log) * 1e-4**broken
    total = sum(weights.values())
    return {codes: w / total for codes, w in weights.items()}


def test_macs_is_evidence() -> None:
    reading = reading_of([7.75, 6.52, 7.75], u=0.05)  # half way between code 3 and 4; 4 would break the MACS of 2
    free = code_posterior(replace(SHORT, macs=None), (reading,), WIDTH, 0.01).probabilities[1]
    bound = code_posterior(SHORT, (reading,), WIDTH, 0.01).probabilities[1]
    assert bound[2] > 0.75 > 0.6 > free[2]  # the rest: the root was read on another edge, and can be any code
    assert bound[3] < 0.01 < 0.2 < free[3]


def test_an_unreadable_cut_has_a_question_mark_and_no_probability() -> None:
    bitting, _ = bitting_of(with_heights(measured(key_of(PIER, CODE)), 10.7, 12.1, np.nan))
    assert bitting.code == "3-1-?-2-5"
    assert bitting.cuts[2].probability == 0.0
    assert bitting.probability == 0.0
    assert len(bitting.cuts[2].others) >= 4


def test_no_bitting_of_an_uncut_or_an_unlisted_key() -> None:
    blade = replace(measured(key_of(PIER, CODE, cuts=())), edges=None)
    assert bitting_of(blade)[0] is None
    other = replace(PIER, positions_mm=(4.6, 7.6, 10.6, 13.6, 16.6), roots_mm=(7.7, 7.28, 6.86, 6.44, 6.02, 5.6))
    assert bitting_of(measured(key_of(other, CODE)))[0] is None


def test_twins_are_told_apart_by_their_grooves() -> None:
    blade = measured(key_of(PIER, CODE))
    asked = next_measurement(rank(blade, (PIER, TWIN)), blade)
    assert "left face" in asked.what
    assert "1.20 mm: Pier (" in asked.why
    assert "4.40 mm: Pier b (" in asked.why


def test_a_doubtful_cut_is_asked_for() -> None:
    blade = with_heights(measured(key_of(PIER, CODE)), 10.6, 12.2, -0.24)
    asked = next_measurement(rank(blade, (PIER, QUAY)), blade)
    assert "cut 3" in asked.what
    assert "code 4" in asked.why
    assert "code 5" in asked.why
    ranking = rank(blade, (PIER, QUAY))
    bitting = read_bitting(ranking, blade)
    assert bitting is not None
    assert f", {bitting.cuts[2].position.mm:.2f} mm from the shoulder." in asked.what  # where the table has it


def test_alternatives_next_to_impossible_are_not_told() -> None:
    ranking = rank(measured(key_of(PIER, CODE)), (PIER, TWIN, replace(PIER, id="far", name="Far", width_mm=8.9)))
    asked = next_measurement(ranking, measured(key_of(PIER, CODE)))
    assert asked is not None
    assert TWIN.name in asked.why
    assert "(0 %)" not in asked.why


def test_nothing_is_asked_for_when_nothing_is_in_doubt() -> None:
    blade = measured(key_of(PIER, CODE))
    assert next_measurement(rank(blade, (PIER, QUAY)), blade) is None


def test_the_least_sure_cuts_are_confirmed_first() -> None:
    blade = with_heights(measured(key_of(PIER, CODE)), 10.6, 12.2, -0.2)
    ranking = rank(blade, (PIER, QUAY))
    checks = confirm_list(ranking, read_bitting(ranking, blade), blade)
    assert "cut 3" in checks[0].what
    assert {c.what for c in checks} >= {"width of the uncut blade", "length from shoulder to tip"}
    for check in checks:
        assert check.tolerance_mm >= 2 * check.expected.u_mm


def test_where_no_length_tells_more_a_look_is_asked_for() -> None:
    twin = replace(PIER, id="pier-5b", name="Pier b", grooves_left_mm=(), grooves_right_mm=())
    blade = measured(key_of(PIER, "3-1-4-2-5"))
    told = next_measurement(rank(blade, (PIER, twin)), blade)
    assert told is not None
    assert "end-on" in told.what
    assert "Pier and Pier b" in told.why
    uncut = replace(measured(key_of(PIER, "3-1-4-2-5", cuts=())), edges=None)
    told = next_measurement(rank(uncut, (PIER,)), uncut)
    assert told is not None
    assert told.what.startswith("Look at both faces")
