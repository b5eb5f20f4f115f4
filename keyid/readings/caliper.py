"""Lengths as people type them from a caliper's display."""

from __future__ import annotations

import math
from typing import Literal

from keyid.length import MM_PER_INCH

TypedUnit = Literal["mm", "thou"]

UNITS_MM = {"mm": 1.0, "in": MM_PER_INCH, '"': MM_PER_INCH, "thou": MM_PER_INCH / 1000}


def typed_mm(text: str, unit: TypedUnit = "mm") -> float:
    """Return the length in mm: ``unit`` where none follows the number; a comma will do as the decimal point.

    Raises
    ------
    ValueError
        For anything that is not a length, with a sentence that says what one looks like.
    """
    typed = text.strip().lower().replace(",", ".")
    told = next((name for name in UNITS_MM if typed.endswith(name)), unit)
    try:
        mm = float(typed.removesuffix(told).strip()) * UNITS_MM[told]
    except ValueError:
        mm = math.nan
    if not (math.isfinite(mm) and mm > 0):
        raise ValueError(f"{text!r} is not a length such as 8.41 or 0.331in.")
    return mm
