"""Cutting systems fitted to keys with known bittings: exact keys with errors of known size put on them."""

from __future__ import annotations

import numpy as np
import pytest

from keyid.new_profiles.profile_draft import draft_cutting
from keyid.new_profiles.profile_fit import KnownKey, fit_depths, fit_positions
from tests.unit.measured_blade import PIER, QUAY, key_of, measured

POSITIONS = (4.2, 7.8, 11.4, 15.0)
ROOTS = {"1": 7.75, "2": 7.25, "3": 6.75, "4": 6.25, "5": 5.75}


def key(bitting: str, rng: np.random.Generator, u: float = 0.02, common: float = 0.03, **places: float) -> KnownKey:
    """A key cut to code and measured with independent errors ``u`` and errors common to all its cuts."""
    codes = tuple(bitting)
    positions = np.array(POSITIONS) + rng.normal(0, u, 4) + rng.normal(0, common) + places.get("off", 0.0)
    roots = np.array([ROOTS[code] for code in codes]) + rng.normal(0, u, 4) + rng.normal(0, common)
    return KnownKey(codes, tuple(roots), (u,) * 4, (0, 1, 2, 3), tuple(positions), (u,) * 4, common, common)


def test_stated_uncertainties_are_true() -> None:
    """Over many pairs of keys, errors over stated uncertainty have a standard deviation of 1.

    The keys have no scatter as made, for which 0.02 and 0.025 mm are allowed: the true ratio is smaller.
    """
    rng = np.random.default_rng(5)
    off = []
    for _ in range(300):
        keys = [key("1425", rng, 0.05), key("3152", rng, 0.05)]
        places = fit_positions(keys, 4)
        depths = fit_depths(keys, tuple("12345"))
        assert places is not None
        assert depths is not None
        off += [(v.mm - true) / v.u_mm for v, true in zip(places.values, POSITIONS, strict=True) if places.even]
        off += [(v.mm - ROOTS[c]) / v.u_mm for c, v in zip(depths[0], depths[1].values, strict=True) if depths[1].even]
    assert 0.75 < np.std(off) < 1.05


def test_even_steps_tell_depths_that_no_key_has() -> None:
    rng = np.random.default_rng(1)
    found = fit_depths([key("1424", rng), key("2152", rng)], tuple("12345"))
    assert found is not None
    codes, fitted = found
    assert codes == tuple("12345")
    assert fitted.even
    assert [v.mm for v in fitted.values] == pytest.approx(list(ROOTS.values()), abs=0.08)
    assert fitted.values[2].u_mm < fitted.values[4].u_mm  # code 3 lies between measured ones


def test_uneven_steps_leave_codes_out_that_no_key_has() -> None:
    uneven = {"1": 7.75, "2": 7.25, "4": 6.45, "5": 5.75}
    keys = [KnownKey(tuple(codes), tuple(uneven[c] for c in codes), (0.01,) * 4) for codes in ("1425", "2154", "4521")]
    found = fit_depths(keys, tuple("12345"))
    assert found is not None
    codes, fitted = found
    assert codes == tuple("1245")
    assert not fitted.even
    assert [v.mm for v in fitted.values] == pytest.approx(list(uneven.values()), abs=1e-6)


def test_one_uneven_key_is_not_enough() -> None:
    uneven = KnownKey(
        tuple("1245"), (7.75, 7.25, 6.45, 5.75), (0.01,) * 4, (0, 1, 2, 3), (4.0, 7.0, 11.0, 13.0), (0.01,) * 4
    )
    assert fit_positions([uneven], 4) is None
    assert fit_depths([uneven], tuple("12345")) is None


def test_keys_that_disagree_show_it() -> None:
    rng = np.random.default_rng(2)
    fitted = fit_positions([key("1425", rng, common=0.01), key("3152", rng, common=0.01, off=0.6)], 4)
    assert fitted is not None
    assert fitted.p < 1e-4


def test_cuts_that_no_key_shows_are_told_only_when_even() -> None:
    keys = [KnownKey((), (), (), (0, 1, 3), (4.2, 7.8, 15.0), (0.02,) * 3) for _ in range(2)]
    fitted = fit_positions(keys, 4)
    assert fitted is not None
    assert [v.mm for v in fitted.values] == pytest.approx(POSITIONS)
    keys = [KnownKey((), (), (), (0, 1, 3), (4.2, 7.8, 15.9), (0.02,) * 3) for _ in range(2)]
    assert fit_positions(keys, 4) is None


@pytest.mark.parametrize("bitting", ["1-4-2-5-3", "3-3-2-6-2", "5-4-2-5-1"])
def test_a_draft_finds_the_system_from_one_key(bitting: str) -> None:
    blade = measured(key_of(PIER, bitting))
    draft = draft_cutting([(blade, tuple(PIER.codes.index(code) for code in bitting.split("-")))])
    assert draft.first_mm == pytest.approx(4.2, abs=0.3)  # within a flat, which is 1.2 mm long
    assert draft.first_mm + 4 * draft.spacing_mm == pytest.approx(18.6, abs=0.4)
    assert (draft.highest_mm, draft.step_mm) == (pytest.approx(7.75, abs=0.06), pytest.approx(0.5, abs=0.02))
    assert draft.misfit_mm < 0.05


def test_a_draft_reads_two_edges_from_the_tip_with_full_heights() -> None:
    keys = [(measured(key_of(QUAY, code)), code) for code in ("1-3-2-4-1-2-3", "2-4-1-1-3-4-2")]
    draft = draft_cutting([(blade, tuple(QUAY.codes.index(c) for c in code.split("-"))) for blade, code in keys])
    assert draft.first_mm == pytest.approx(4.4, abs=0.3)
    assert draft.spacing_mm == pytest.approx(2.6, abs=0.08)
    assert draft.step_mm == pytest.approx(0.5, abs=0.04)


def test_a_wrong_bitting_does_not_fit() -> None:
    right = draft_cutting([(measured(key_of(PIER, "1-5-2-6-2")), (0, 4, 1, 5, 1))])
    wrong = draft_cutting([(measured(key_of(PIER, "1-5-2-6-2")), (5, 0, 1, 5, 2))])
    assert right.misfit_mm < 0.05
    assert wrong.misfit_mm > 0.1
