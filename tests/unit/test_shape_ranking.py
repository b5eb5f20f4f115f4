"""Ranking by proportions: exact edges of invented keys in wrong sizes (no source needed)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from keyid.blades.blade import Blade
from keyid.blades.unscaled import sized
from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.readings.bitting import read_bitting
from keyid.readings.reading import NextMeasurement
from keyid.readings.shape_ranking import of_unknown_size, rank_by_shape
from tests.unit.example_reading import reading
from tests.unit.measured_blade import MOLE, PIER, QUAY, key_of, measured

CODE = "3-1-4-2-5"
LIBRARY = (PIER, MOLE, QUAY)


def of_size(factor: float) -> Blade:
    """The key as seen that many times too large."""
    blade = measured(key_of(PIER, CODE))
    return replace(sized(blade, blade.width.mm * factor), width=Length(blade.width.mm * factor, 0.03))


@pytest.mark.parametrize("factor", [0.6, 1.0, 1.7])
def test_the_size_does_not_matter(factor: float) -> None:
    ranking = rank_by_shape(of_size(factor), LIBRARY)
    bitting = read_bitting(ranking, of_size(factor))
    assert bitting is not None
    assert (bitting.profile, bitting.code) == (PIER.id, CODE)
    assert bitting.cuts[0].root.mm == pytest.approx(PIER.roots_mm[2], abs=0.03)  # code 3, in the blade's own size


def _larger(profile: Profile, factor: float) -> Profile:
    return replace(
        profile,
        id=f"{profile.id}-larger",
        length_mm=(profile.length_mm or 0.0) * factor,
        width_mm=profile.width_mm * factor,
        positions_mm=tuple(x * factor for x in profile.positions_mm),
        roots_mm=tuple(x * factor for x in profile.roots_mm),
        flat_mm=(profile.flat_mm or 0.0) * factor,
    )


def test_a_blade_of_the_same_proportions_can_t_be_told_apart() -> None:
    ranking = rank_by_shape(of_size(1.3), (*LIBRARY, _larger(PIER, 1.08)))
    first, second = ranking.candidates[:2]
    assert {first.profile.id, second.profile.id} == {"pier-5", "pier-5-larger"}
    assert second.probability > 0.1
    assert ranking.none_of_these < 0.1


def test_an_error_of_the_seen_width_becomes_one_of_everything_else() -> None:
    blade = replace(measured(key_of(PIER, CODE)), width=Length(8.0, 0.08))  # one part in a hundred
    made = sized(blade, 16.0)
    assert made.stretch_u == pytest.approx((0.01**2 + blade.stretch_u**2) ** 0.5)
    assert made.height_common_u_mm >= 0.16
    assert made.length is not None
    assert made.length.u_mm > 0.01 * made.length.mm


def test_the_width_is_asked_for_only_where_it_tells_blades_apart() -> None:
    twin = replace(PIER, id="pier-5-twin", name="Pier twin")
    asked = _asked((PIER, twin))
    assert (asked.what, asked.why) == ("Take the photo again with a bank card.", ASKED_WHY)
    asked = _asked((PIER, twin, _larger(PIER, 1.08)))
    assert asked.what.endswith("or measure the blade's width with a caliper.")
    assert "8.00 mm Pier or Pier twin" in asked.why


ASKED_WHY = "Then sizes count, not only proportions."


def _asked(library: tuple[Profile, ...]) -> NextMeasurement:
    blade = of_size(1.3)
    told = of_unknown_size(reading(), rank_by_shape(blade, library), blade).next_measurement
    assert told is not None
    return told
