"""Published worked examples of metrology, through keyid's own helpers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from keyid.blades.blade_measure import root_sum
from keyid.blades.datum import robust_slope
from keyid.length import Length

# JCGM 100:2008 (GUM), H.1, end-gauge calibration: standard uncertainties in nm.
STANDARD = 25.0  # the standard's length, from its certificate
REPEATED, COMPARATOR_RANDOM, COMPARATOR_SYSTEMATIC = 5.8, 3.9, 6.7  # of the difference
LENGTH_NM = 50_000_623.0
EXPANSION = 11.5e-6  # per deg C
EXPANSION_DIFFERENCE_U = 1e-6 / np.sqrt(3)  # rectangular +- 1e-6 per deg C
TEMPERATURE_DIFFERENCE_U = 0.05 / np.sqrt(3)  # rectangular +- 0.05 deg C
MEAN_TEMPERATURE = -0.1  # deg C off the reference temperature

# NIST StRD, linear regression, data set Norris: certified values, https://www.itl.nist.gov/div898/strd/.
NORRIS_SLOPE = 1.00211681802045
NORRIS_SLOPE_SD = 0.429796848199937e-03


def test_gum_h1_difference_of_the_gauges() -> None:
    assert round(root_sum([REPEATED, COMPARATOR_RANDOM, COMPARATOR_SYSTEMATIC]), 1) == 9.7  # nm, published


def test_gum_h1_combined_standard_uncertainty() -> None:
    difference = root_sum([REPEATED, COMPARATOR_RANDOM, COMPARATOR_SYSTEMATIC])
    by_expansion = LENGTH_NM * MEAN_TEMPERATURE * EXPANSION_DIFFERENCE_U
    by_temperature = LENGTH_NM * EXPANSION * TEMPERATURE_DIFFERENCE_U
    assert round(abs(by_expansion), 1) == 2.9  # nm, published
    assert round(by_temperature, 1) == 16.6  # nm, published
    combined = root_sum([STANDARD, difference, by_expansion, by_temperature])
    assert round(combined) == 32  # nm, published
    length = Length((LENGTH_NM + 215.0) * 1e-6, combined * 1e-6)
    assert f"{length.mm:.6f}" == "50.000838"  # mm, published


def norris() -> tuple[np.ndarray, np.ndarray]:
    """The 36 points of NIST's file, which SciPy ships with its tests."""
    file = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress" / "Norris.dat"
    if not file.exists():
        pytest.skip("this SciPy comes without its tests' data")
    y, x = np.loadtxt(file, skiprows=60, unpack=True)
    assert len(x) == 36
    return x, y


def test_norris_slope_agrees_within_its_standard_deviation() -> None:
    x, y = norris()
    # keyid's line fit weighs points by how far they stray, so it is no least-squares fit: the slopes may differ, but on
    # data with normal scatter by less than the slope's own certified standard deviation.
    assert robust_slope(x, y) == pytest.approx(NORRIS_SLOPE, abs=NORRIS_SLOPE_SD)


def test_norris_slope_survives_points_astray() -> None:
    x, y = norris()
    y = y.copy()
    y[np.argsort(x)[-4:]] += 60.0  # of 950, at the far end: least squares then errs by 0.05 or more
    assert abs(np.polyfit(x, y, 1)[0] - NORRIS_SLOPE) > 50 * NORRIS_SLOPE_SD
    assert robust_slope(x, y) == pytest.approx(NORRIS_SLOPE, abs=4 * NORRIS_SLOPE_SD)
