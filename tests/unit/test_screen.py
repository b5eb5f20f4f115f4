"""Of thousands of profiles the right one is fitted: exact edges of invented keys (no source needed)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from keyid.blades.blade import Blade
from keyid.profiles.profile import Profile
from keyid.rankings.fitting import size_log_densities
from keyid.rankings.ranking import rank
from keyid.rankings.screen import FITTED_MAX, worth_fitting
from tests.unit.measured_blade import MOLE, PIER, QUAY, key_of, measured, with_heights


def many(base: Profile, count: int) -> tuple[Profile, ...]:
    """Blades of one size whose cuts stand elsewhere."""
    rng = np.random.default_rng(3)
    made = []
    for n in range(count):
        pitch = rng.uniform(2.6, 4.2)
        places = tuple(3.5 + rng.uniform(0, 2) + pitch * i for i in range(len(base.positions_mm)))
        made.append(replace(base, id=f"{base.id}-{n}", positions_mm=places))
    return tuple(made)


def worth(blade: Blade, profiles: tuple[Profile, ...]) -> list[Profile]:
    return worth_fitting(blade, profiles, size_log_densities(profiles, blade))


@pytest.mark.parametrize(("profile", "code"), [(PIER, "3-1-4-2-5"), (MOLE, "2-5-5-3-1"), (QUAY, "2-3-1-4-2-1-3")])
def test_the_right_blade_is_among_the_few_of_thousands(profile: Profile, code: str) -> None:
    library = (*many(profile, 2000), profile)
    moved = measured(key_of(profile, code, moved_mm=0.3))  # a copy off its stop
    shadowed = with_heights(measured(key_of(profile, code)), 9.0, 11.0, -0.4)
    for blade in (measured(key_of(profile, code)), moved, shadowed):
        fitted = worth(blade, library)
        assert profile in fitted
        assert len(fitted) <= FITTED_MAX
    assert rank(measured(key_of(profile, code)), library).candidates[0].profile is profile


def test_few_profiles_and_uncut_blades_are_screened_by_size_alone() -> None:
    library = many(PIER, 30)
    assert set(worth(measured(key_of(MOLE, "2-5-5-3-1")), library)) == set(library)
    uncut = replace(measured(key_of(PIER, "3-1-4-2-5", cuts=())), edges=None)
    assert len(worth(uncut, many(PIER, 60))) == 60
    other = replace(PIER, id="wide", width_mm=14.0)
    assert other not in worth(measured(key_of(PIER, "3-1-4-2-5")), (PIER, other))
    assert worth(uncut, ()) == []


def test_a_learned_profile_s_own_uncertainty_is_allowed_for() -> None:
    key = measured(key_of(PIER, "3-1-4-2-5"))
    off = replace(PIER, id="learned", positions_mm=tuple(x + 0.1 * (-1) ** n for n, x in enumerate(PIER.positions_mm)))
    off = replace(off, roots_mm=tuple(r + 0.1 * (-1) ** n for n, r in enumerate(PIER.roots_mm)))
    honest = replace(off, positions_sd_mm=(0.1,) * 5, roots_sd_mm=(0.1,) * 6)
    assert rank(key, (off,)).none_of_these > 0.9
    assert rank(key, (honest,)).none_of_these < 0.5
