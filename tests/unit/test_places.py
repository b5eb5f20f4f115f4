"""How likely positions are: against what the densities give by hand (exact construction)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from keyid.rankings.decoding import EdgeReading
from keyid.rankings.places import STRETCH_TAIL, place_log_likelihood

NOMINAL_MM = np.array([4.0, 7.0, 10.0, 13.0, 16.0, 19.0])
TURNED_U = 0.03  # relative: a step of one of it moves the last cut by 0.6 mm


def at(position_mm: np.ndarray) -> EdgeReading:
    count = len(position_mm)
    same = np.full(count, 0.01)
    return EdgeReading(np.full(count, 6.0), same, position_mm, same, same, np.full(count, 6.0), 0.5)


def density(stretch: float) -> float:
    share, factor = STRETCH_TAIL
    near, far = (float(np.exp(-0.5 * (stretch / sd) ** 2)) / sd for sd in (1.0, factor))
    return (1 - share) * near + share * far


@pytest.mark.parametrize("stretch", [-1.6, -0.5, 0.31, 1.0, 2.47])
def test_a_stretch_costs_what_its_density_says_wherever_it_lies(stretch: float) -> None:
    plain = place_log_likelihood((at(NOMINAL_MM),), NOMINAL_MM, 0.03, TURNED_U)
    moved = place_log_likelihood((at(NOMINAL_MM * (1 + stretch * TURNED_U)),), NOMINAL_MM, 0.03, TURNED_U)
    assert moved - plain == pytest.approx(np.log(density(stretch) / density(0.0)), abs=0.15)  # the shift takes part


def test_one_position_astray_does_not_hide_the_stretch() -> None:
    stretched = NOMINAL_MM * 1.02
    astray = stretched.copy()
    astray[2] += 0.3
    lost = place_log_likelihood((at(stretched),), NOMINAL_MM, 0.03, TURNED_U)
    lost -= place_log_likelihood((at(astray),), NOMINAL_MM, 0.03, TURNED_U)
    unseen = replace(at(stretched), position_mm=np.where(np.arange(6) == 2, np.nan, stretched))
    without = place_log_likelihood((unseen,), NOMINAL_MM, 0.03, TURNED_U)
    assert 0 < lost < 8
    assert without > place_log_likelihood((at(astray),), NOMINAL_MM, 0.03, TURNED_U)
