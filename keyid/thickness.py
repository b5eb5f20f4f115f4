"""A blade seen again with the thickness of the profile under test.

The camera measures on the upper face, whose height over the table is the blade's thickness.  A photo hardly shows that,
so a usual thickness is assumed, which makes all lengths of a thicker blade come out too long: by half a percent per
half millimetre when the camera is 100 mm away.  Where a profile tells its thickness, this is known better.
"""

from __future__ import annotations

import math
from dataclasses import replace

from keyid.blade import Blade, BudgetLine, EdgeTrace
from keyid.length import Length

THICKNESS = "thickness"  # the budget's line of what one standard uncertainty of the assumed thickness does
MADE_SD_MM = 0.05  # blades of one profile differ in thickness by that (common practice, no source)


def with_thickness(blade: Blade, told_mm: float | None) -> Blade:
    """The blade as it would be measured with a profile's thickness, and with what that leaves unsure.

    Lengths are scaled as the budget's line of the thickness says: the upper face's plane moves as a whole.
    """
    assumed = blade.thickness
    lines = [line for line in blade.budget if line.source == THICKNESS]
    if told_mm is None or assumed is None or not lines:
        return blade
    share = assumed.u_mm**2 / (assumed.u_mm**2 + MADE_SD_MM**2)
    off_u = share * (told_mm - assumed.mm) / assumed.u_mm  # how many of its standard uncertainties it is off
    left = math.sqrt(1 - share)  # of its uncertainty
    across = 1 + off_u * sum(line.width_mm for line in lines) / blade.width.mm
    along = 1 + off_u * sum(line.stretch for line in lines)
    narrowed = tuple(_narrowed(line, left) if line.source == THICKNESS else line for line in blade.budget)
    spared = 1 - left**2
    length = blade.length
    if length is not None:
        moved = length.mm + off_u * sum(line.length_mm for line in lines)
        length = Length(moved, _less(length.u_mm, spared, [line.length_mm for line in lines]))
    return replace(
        blade,
        length=length,
        width=Length(blade.width.mm * across, _less(blade.width.u_mm, spared, [line.width_mm for line in lines])),
        a=_scaled(blade.a, along, across),
        b=_scaled(blade.b, along, across),
        height_common_u_mm=_less(blade.height_common_u_mm, spared, [line.height_mm for line in lines]),
        station_common_u_mm=_less(blade.station_common_u_mm, spared, [line.station_mm for line in lines]),
        stretch_u=_less(blade.stretch_u, spared, [line.stretch for line in lines]),
        budget=narrowed,
        tip=blade.tip * [along, across],
        thickness=Length(assumed.mm + off_u * assumed.u_mm, assumed.u_mm * left),
    )


def _narrowed(line: BudgetLine, part: float) -> BudgetLine:
    """The line with a part of its uncertainty."""
    return BudgetLine(
        line.source,
        line.length_mm * part,
        line.width_mm * part,
        line.height_mm * part,
        line.station_mm * part,
        line.stretch * part,
    )


def _less(u: float, spared: float, lines: list[float]) -> float:
    """A standard uncertainty without a share of the variance that some lines put into it."""
    return math.sqrt(max(u**2 - spared * sum(line**2 for line in lines), 0.0))


def _scaled(trace: EdgeTrace, along: float, across: float) -> EdgeTrace:
    """An edge with its stations and heights scaled."""
    return replace(trace, x_mm=trace.x_mm * along, height_mm=trace.height_mm * across, u_mm=trace.u_mm * across)
