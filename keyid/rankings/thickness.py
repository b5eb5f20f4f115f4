"""A blade seen again with the thickness of the profile under test.

The camera measures on the upper face, whose height over the table is the blade's thickness.  A photo hardly shows that,
so a usual thickness is assumed, which makes all lengths of a thicker blade come out too long: by half a percent per
half millimetre when the camera is 100 mm away.  Where a profile tells its thickness, this is known better.
"""

from __future__ import annotations

import math
from dataclasses import replace

from keyid.blades.blade import Blade
from keyid.length import Length
from keyid.outlines.lie import THICKNESS
from keyid.profiles.profile import Profile

MADE_SD_MM = 0.05  # blades of one profile differ in thickness by that (common practice, no source)


def told_thickness(profile: Profile) -> Length | None:
    """A profile's thickness, with how much its blades differ from it and how unsure it is; None where it tells none."""
    if profile.thickness_mm is None:
        return None
    return Length(profile.thickness_mm, math.hypot(MADE_SD_MM, profile.thickness_sd_mm or 0.0))


def with_thickness(blade: Blade, told: Length | None) -> Blade:
    """The blade as it would be measured with a profile's thickness, and with what that leaves unsure.

    Lengths are scaled as the budget's line of the thickness says: the upper face's plane moves as a whole.
    """
    assumed = blade.thickness
    line = next((line for line in blade.budget if line.source == THICKNESS), None)
    if told is None or assumed is None or line is None:
        return blade
    share = assumed.u_mm**2 / (assumed.u_mm**2 + told.u_mm**2)  # of its variance that the profile takes away
    off_u = share * (told.mm - assumed.mm) / assumed.u_mm  # how many of its standard uncertainties it is off
    left = math.sqrt(1 - share)
    along, across = 1 + off_u * line.stretch, 1 + off_u * line.width_mm / blade.width.mm
    length = blade.length
    if length is not None:
        length = Length(length.mm + off_u * line.length_mm, _less(length.u_mm, share, line.length_mm))
    return replace(
        blade,
        length=length,
        width=Length(blade.width.mm * across, _less(blade.width.u_mm, share, line.width_mm)),
        a=blade.a.scaled(along, across),
        b=blade.b.scaled(along, across),
        height_common_u_mm=_less(blade.height_common_u_mm, share, line.height_mm),
        station_common_u_mm=_less(blade.station_common_u_mm, share, line.station_mm),
        stretch_u=_less(blade.stretch_u, share, line.stretch),
        budget=tuple(one.weighed(left, left, left) if one is line else one for one in blade.budget),
        tip=blade.tip * [along, across],
        thickness=Length(assumed.mm + off_u * assumed.u_mm, assumed.u_mm * left),
    )


def _less(u: float, share: float, part: float) -> float:
    """A standard uncertainty without a share of the variance that one part puts into it."""
    return math.sqrt(max(u**2 - share * part**2, 0.0))
