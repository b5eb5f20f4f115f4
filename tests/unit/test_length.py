"""A length and its unit."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyid.length import Length, in_mm, in_thou


def test_an_inch_is_25_4_mm() -> None:
    # International yard and pound agreement, 1959: 1 in = 25.4 mm exactly.
    assert Length(25.4, 0.0).thou == pytest.approx(1000.0, rel=1e-12)
    assert Length(0.635, 0.0).thou == pytest.approx(25.0, rel=1e-12)


@given(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4))
def test_thou_add_up_as_mm_do(a: float, b: float) -> None:
    # Rounding of three doubles only.
    assert Length(a + b, 0.0).thou == pytest.approx(Length(a, 0.0).thou + Length(b, 0.0).thou, abs=1e-7)


@pytest.mark.parametrize(
    ("mm", "u_mm"), [(math.nan, 0.1), (math.inf, 0.1), (1.0, math.nan), (1.0, math.inf), (1.0, -1e-9)]
)
def test_a_length_without_a_value_or_uncertainty_is_refused(mm: float, u_mm: float) -> None:
    with pytest.raises(ValueError, match="needs finite mm and u_mm >= 0"):
        Length(mm, u_mm)


def test_zero_uncertainty_is_allowed() -> None:
    assert Length(-1.0, 0.0).u_mm == 0.0


def test_people_are_shown_95_percent_limits() -> None:
    assert in_mm(Length(8.082, 0.021)) == "8.08 ±0.04"  # twice u: JCGM 100:2008, 6.3.3
    assert in_thou(Length(8.082, 0.021)) == "318 ±2"
    assert in_mm(Length(0.5, 0.05), "+") == "+0.50 ±0.10"
    assert (in_mm(Length(8.0, 0.0)), in_thou(Length(8.0, 0.0))) == ("8.00 ±0.01", "315 ±1")  # nothing is exact
