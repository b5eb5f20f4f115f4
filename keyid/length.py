"""A length with its standard uncertainty, after the GUM (JCGM 100:2008)."""

from __future__ import annotations

import math
from dataclasses import dataclass

MM_PER_INCH = 25.4  # exact: international yard and pound agreement, 1959
COVERAGE = 2.0  # standard uncertainties to each side that people are shown: 95 % (JCGM 100:2008, 6.3.3)


@dataclass(frozen=True)
class Length:
    """A measured length.

    Attributes
    ----------
    mm : float
        Best estimate in mm.
    u_mm : float
        One standard uncertainty in mm, not negative.
    """

    mm: float
    u_mm: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mm) and math.isfinite(self.u_mm) and self.u_mm >= 0):
            raise ValueError(f"a length needs finite mm and u_mm >= 0, got {self.mm} and {self.u_mm}")

    @property
    def thou(self) -> float:
        """The value in thousandths of an inch."""
        return self.mm / MM_PER_INCH * 1000


def in_mm(length: Length, sign: str = "") -> str:
    """A length in mm with its 95 % limits, as everything for people shows it; ``sign`` "+" tells it always."""
    return f"{length.mm:{sign}.2f} ±{max(0.01, COVERAGE * length.u_mm):.2f}"


def in_thou(length: Length, sign: str = "") -> str:
    """A length in thousandths of an inch with its 95 % limits."""
    return f"{length.thou:{sign}.0f} ±{max(1, round(COVERAGE * length.u_mm / MM_PER_INCH * 1000))}"
