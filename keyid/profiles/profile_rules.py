"""What the numbers of one profile must keep together, and what about them is doubtful.

A broken rule makes the file useless (a root above the blade, a cut beyond the tip).  A doubt is a number that can be
right but mostly is a slip (a blade 0.9 mm thick, a spacing that jumps): it is told, and the profile is used.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from keyid.length import MM_PER_INCH
from keyid.profiles.profile import Profile

NARROWEST_MM = 1.0  # no blade is narrower; a smaller number is in another unit than the file says
WIDEST_MM = 100.0  # likewise: the widest keys of old gates are half as wide
LONGEST_MM = 300.0  # likewise for everything along the blade
SAME_MM = 0.001  # roots, positions or groove edges closer than a micrometre are the same one

USUAL_LENGTH_MM = (12.0, 60.0)  # cabinet keys to gate keys (common practice, no source)
USUAL_WIDTH_MM = (4.0, 14.0)  # likewise
USUAL_THICKNESS_MM = (1.2, 4.5)  # likewise
USUAL_ANGLE_DEG = (60.0, 120.0)  # included angles of cutters are 74 to 100 degrees (common practice, no source)
SPACING_JUMP = 2.5  # the widest spacing over the narrowest; makers keep one spacing, few leave one cut out
LEAST_STEP_MM = 0.15  # depth codes closer than this can't be told apart by the lock either (common practice, no source)
FLAT_KEPT = 0.75  # the part of a flat that the flanks of a deeper neighbour must leave (common practice, no source)
DEEPEST_ROOT_PART = 0.3  # a blade with less than this part of its width left breaks


@dataclass(frozen=True)
class Fault:
    """What is wrong in a profile file.

    Attributes
    ----------
    where : str
        Key path, such as ``cuts.positions #3`` (counted from 1).
    wrong, right : str
        What is wrong, to follow ``where``; and what would be right.
    """

    where: str
    wrong: str
    right: str


def broken_rules(profile: Profile) -> Iterator[Fault]:
    """Yield each rule between values that the profile breaks."""
    yield from _sizes(profile)
    yield from _grooves(profile, "left", profile.grooves_left_mm)
    yield from _grooves(profile, "right", profile.grooves_right_mm)
    yield from _tip(profile)
    yield from _positions(profile)
    yield from _roots(profile)
    yield from _counts(profile)
    yield from _ids(profile)
    yield from _adding_keys(profile)


def doubts(profile: Profile) -> tuple[str, ...]:
    """Say in one line each which numbers are possible but mostly a slip, or () when nothing is."""
    return (
        *_doubtful_sizes(profile),
        *_doubtful_cuts(profile),
        *_doubtful_macs(profile),
        *_doubtful_roots(profile),
        *_doubtful_test_blanks(profile),
    )


def _filed(profile: Profile, mm: float) -> str:
    """A length as the file has it."""
    return f"{mm / (MM_PER_INCH if profile.unit == 'in' else 1.0):.6g}"


def _sizes(profile: Profile) -> Iterator[Fault]:
    right = f'All lengths of this file are in its unit, "{profile.unit}": check the number and the unit'
    sizes = {
        "blade.width": (profile.width_mm, NARROWEST_MM, WIDEST_MM),
        "blade.length": (profile.length_mm, NARROWEST_MM, LONGEST_MM),
        "blade.length_sd": (profile.length_sd_mm, 0.0, NARROWEST_MM),
        "blade.width_sd": (profile.width_sd_mm, 0.0, NARROWEST_MM),
        "blade.thickness_sd": (profile.thickness_sd_mm, 0.0, NARROWEST_MM),
        "cuts.positions_sd": (max(profile.positions_sd_mm, default=None), 0.0, NARROWEST_MM),
        "cuts.roots_sd": (max(profile.roots_sd_mm, default=None), 0.0, NARROWEST_MM),
        "blade.thickness": (profile.thickness_mm, 0.0, WIDEST_MM),
        "cuts.flat": (profile.flat_mm, 0.0, LONGEST_MM),
        "cuts.as_made_sd": (profile.as_made_sd_mm, 0.0, NARROWEST_MM),
        f"cuts.positions #{len(profile.positions_mm)}": (profile.positions_mm[-1], 0.0, LONGEST_MM),
    }
    for where, (mm, least, most) in sizes.items():
        if mm is not None and not least <= mm <= most:
            yield Fault(where, f"is {mm:.4g} mm, which no key has", right)


def _grooves(profile: Profile, face: str, grooves: tuple[tuple[float, float], ...]) -> Iterator[Fault]:
    lowest = 0.0
    for number, (near, far) in enumerate(grooves, 1):
        where = f"blade.grooves_{face} #{number}"
        shown = f"[{_filed(profile, near)}, {_filed(profile, far)}]"
        if far - near < SAME_MM:
            yield Fault(where, f"is {shown}", "A groove is [near, far], near smaller than far")
        if far > profile.width_mm:
            width = _filed(profile, profile.width_mm)
            yield Fault(where, f"is {shown}, outside the blade", f"A groove ends at the width, {width}, or before")
        if near < lowest:
            yield Fault(
                where, f"is {shown}, not beyond the groove before it", "List grooves ascending, none overlapping"
            )
        lowest = far


def _tip(profile: Profile) -> Iterator[Fault]:
    for number, (x, y) in enumerate(profile.tip_mm, 1):
        too_far = profile.stop == "shoulder" and profile.length_mm is not None and x > profile.length_mm + SAME_MM
        if too_far or y > profile.width_mm + SAME_MM:
            shown = f"[{_filed(profile, x)}, {_filed(profile, y)}]"
            yield Fault(
                f"blade.tip #{number}", f"is {shown}, outside the blade", "A point is [x, y], within length and width"
            )


def _positions(profile: Profile) -> Iterator[Fault]:
    for number, (before, here) in enumerate(pairwise(profile.positions_mm), 2):
        if here - before < SAME_MM:
            wrong = f"is {_filed(profile, here)}, not beyond the one before it, {_filed(profile, before)}"
            yield Fault(f"cuts.positions #{number}", wrong, "List positions ascending, from the stop")
    last = profile.positions_mm[-1]
    if profile.length_mm is not None and last > profile.length_mm:
        wrong = f"is {_filed(profile, last)}, beyond the blade's length, {_filed(profile, profile.length_mm)}"
        yield Fault(f"cuts.positions #{len(profile.positions_mm)}", wrong, "Each position is at most blade.length")


def _roots(profile: Profile) -> Iterator[Fault]:
    coded = list(zip(profile.codes, profile.roots_mm, strict=True))
    code, highest = coded[0]
    if highest > profile.width_mm:
        wrong = f"is {_filed(profile, highest)}, above the blade's width, {_filed(profile, profile.width_mm)}"
        yield Fault(f"cuts.roots.{code}", wrong, "Each root height is at most blade.width")
    for (higher_code, higher), (code, root) in pairwise(coded):
        if higher - root < SAME_MM:
            wrong = f"is {_filed(profile, root)}, the same as that of code {higher_code}"
            yield Fault(f"cuts.roots.{code}", wrong, "Each depth code has a root height of its own")


def _counts(profile: Profile) -> Iterator[Fault]:
    ascending = all(here > before for before, here in pairwise(profile.counts))
    if not ascending or any(count > len(profile.positions_mm) for count in profile.counts):
        right = f"List each number of cuts once, ascending, none above the {len(profile.positions_mm)} positions"
        yield Fault("cuts.counts", f"is {list(profile.counts)}", right)


def _ids(profile: Profile) -> Iterator[Fault]:
    seen: set[str] = set()
    for number, blank in enumerate(profile.blanks, 1):
        if blank.id in seen:
            yield Fault(
                f"blanks #{number}.id", f'is "{blank.id}" for the second time', "Give each blank an id of its own"
            )
        seen.add(blank.id)


def _adding_keys(profile: Profile) -> Iterator[Fault]:
    left = [working_keys for working_keys, _ in profile.adding_keys]
    if any(here <= before for before, here in pairwise(left)):
        right = "List each number of working keys once, ascending"
        yield Fault("handling.adding_keys", f"has the numbers {left}", right)


def _doubtful_sizes(profile: Profile) -> Iterator[str]:
    sizes = (
        ("blade.length", profile.length_mm, USUAL_LENGTH_MM, "mm"),
        ("blade.width", profile.width_mm, USUAL_WIDTH_MM, "mm"),
        ("blade.thickness", profile.thickness_mm, USUAL_THICKNESS_MM, "mm"),
        ("cuts.angle", profile.angle_deg, USUAL_ANGLE_DEG, "degrees"),
    )
    for where, value, (least, most), unit in sizes:
        if value is not None and not least <= value <= most:
            yield f"{where} is {value:.4g} {unit}; usual are {least:g} to {most:g}"


def _doubtful_cuts(profile: Profile) -> Iterator[str]:
    spacings = [here - before for before, here in pairwise(profile.positions_mm)]
    if not spacings:
        return
    if profile.flat_mm is not None and min(spacings) < profile.flat_mm:
        yield f"cuts.flat, {profile.flat_mm:.4g} mm, is longer than the narrowest spacing, {min(spacings):.4g} mm"
    if max(spacings) > SPACING_JUMP * min(spacings):
        yield f"cuts.positions are {min(spacings):.4g} to {max(spacings):.4g} mm apart; usual is one spacing"


def _doubtful_macs(profile: Profile) -> Iterator[str]:
    if profile.macs is None:
        return
    if profile.macs >= len(profile.codes):
        yield f"cuts.macs, {profile.macs}, is more than the {len(profile.codes)} codes allow anyway"
    elif profile.flat_mm is not None and profile.angle_deg is not None and len(profile.positions_mm) > 1:
        rise = max(a - b for a, b in zip(profile.roots_mm, profile.roots_mm[profile.macs :], strict=False))
        run = rise * math.tan(math.radians(profile.angle_deg / 2))
        spacing = min(here - before for before, here in pairwise(profile.positions_mm))
        if run > spacing - FLAT_KEPT * profile.flat_mm:
            yield f"cuts.macs, {profile.macs}, allows a step whose flank would cut away the next root"


def _doubtful_roots(profile: Profile) -> Iterator[str]:
    steps = [higher - root for higher, root in pairwise(profile.roots_mm)]
    if steps and min(steps) < LEAST_STEP_MM:
        yield f"cuts.roots has two codes only {min(steps):.3g} mm apart; usual is {LEAST_STEP_MM} or more"
    deepest, width = profile.roots_mm[-1], profile.width_mm
    if deepest < DEEPEST_ROOT_PART * width:
        yield f"cuts.roots.{profile.codes[-1]} leaves {deepest:.3g} of {width:.3g} mm of the blade"
    if steps and profile.as_made_sd_mm is not None and profile.as_made_sd_mm > min(steps) / 2:
        yield f"cuts.as_made_sd, {profile.as_made_sd_mm:.3g} mm, is more than half a depth step"


def _doubtful_test_blanks(profile: Profile) -> Iterator[str]:
    here = {blank.id: blank for blank in profile.blanks}
    for number, blank in enumerate(profile.blanks, 1):
        if blank.test_blank is None:
            continue
        named = here.get(blank.test_blank)
        if named is None:
            yield f"blanks #{number}.test_blank, {blank.test_blank}, is not a blank of this blade"
        elif named.head != "metal" or named.electronics != "none":
            yield f"blanks #{number}.test_blank, {blank.test_blank}, is not a plain metal blank"
