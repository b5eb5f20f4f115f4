"""A length with its standard uncertainty, after the GUM (JCGM 100:2008)."""

from __future__ import annotations

import math
from dataclasses import dataclass

MM_PER_INCH = 25.4  # exact: international yard and pound agreement, 1959


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
