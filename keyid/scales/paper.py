"""Sheets of paper: their sizes by international and American standard."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Paper:
    """A sheet's size in mm, the long side first."""

    name: str
    long_mm: float
    short_mm: float


# ISO 216:2007 allows 2 mm on sides of 150 to 600 mm, 1.5 mm on shorter ones (from memory); ANSI/ASME Y14.1 gives 8.5 by
# 11 inches.  A side's length is taken for rectangular within 2 mm of 297: half width over the root of 3, of the side.
SIDE_LOG_U = 0.004
PAPERS = {
    "a4": Paper("A4", 297.0, 210.0),
    "a5": Paper("A5", 210.0, 148.0),
    "letter": Paper("US Letter", 279.4, 215.9),
}
