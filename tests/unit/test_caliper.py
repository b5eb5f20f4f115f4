"""What people type from a caliper's display; an inch has 25.4 mm exactly (yard and pound agreement, 1959)."""

from __future__ import annotations

import pytest

from keyid.readings.caliper import typed_mm


@pytest.mark.parametrize(
    ("text", "unit", "mm"),
    [
        ("8.41", "mm", 8.41),
        (" 8,41 mm ", "mm", 8.41),
        ("331", "thou", 0.331 * 25.4),
        ("331.5", "thou", 0.3315 * 25.4),
        ("0.331in", "mm", 0.331 * 25.4),
        ('0.331"', "thou", 0.331 * 25.4),
        ("331 thou", "mm", 0.331 * 25.4),
        ("8.41mm", "thou", 8.41),
    ],
)
def test_a_length_is_understood(text: str, unit: str, mm: float) -> None:
    assert typed_mm(text, unit) == pytest.approx(mm, rel=1e-12)  # type: ignore[arg-type]


@pytest.mark.parametrize("text", ["", "x", "-1", "0", "nan", "inf", "1e999", "8.4.1", "mm"])
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a length such as"):
        typed_mm(text)
