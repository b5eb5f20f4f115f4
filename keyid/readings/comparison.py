"""Whether a new key has the old one's bitting: both read for the blade that fits them best together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from keyid.blades.blade import Blade
from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.rankings.ranking import Decoded, Ranking, rank
from keyid.readings.reading import length_json

Json = dict[str, Any]

FORMAT = "keyid-comparison/1"
CUT_WRONG_P = 0.01  # share of cuts of a new key that are cut to another depth
CUT_SD_MM = 0.04  # roots of the same depth on two keys differ by that: as made, and worn unequally
MISREAD = (0.01, 0.3)  # share and sd in mm of roots read on another edge
STEPS = 3
STEP_DECAY = 0.4  # wrong depths are near ones: each step further is that much less likely
MOVED = (0.05, 0.25)  # share and sd in mm of keys whose cuts were all made off their stop
PLACED_SD_MM = 0.03  # of the cuts along a key that was made right
LOW = (0.12, 0.1, 0.04)  # share, mean and sd in mm of keys cut too low: traced from a worn key, a machine out of line
LEVEL_SD_MM = 0.015  # of the mean height of a key made right
UNREAD_P = 0.8  # that a cut that can't be read on one of the keys is the same
BLADE_MIN_P = 0.5  # a blade less likely than that on one of the keys is told
WEAR_SPREAD = 0.3  # roots of one key wear unequally, by this part of the common wear
LEAST = 1e-300

TOO_LOW = (
    "The new key is cut too low as a whole: traced from a worn key? Cut it again by code. If it has been in use, that "
    "looks the same: compare with --used."
)


@dataclass(frozen=True)
class ComparedCut:
    """One cut of both keys; None where it can't be read.  ``same`` is the probability that its depth is the same."""

    position: Length
    old: Length | None
    new: Length | None
    difference: Length | None
    same: float

    def to_json(self) -> Json:
        """As in the comparison's contract."""
        lengths = {"old": self.old, "new": self.new, "difference": self.difference}
        return {
            "position": length_json(self.position),
            **{name: None if length is None else length_json(length) for name, length in lengths.items()},
        }


@dataclass(frozen=True)
class Comparison:
    """Two keys compared, cuts in the order of reading out; ``shift`` is positive where new cuts are too far away."""

    same: float
    cuts: tuple[ComparedCut, ...]
    shift: Length | None
    notes: tuple[str, ...]

    def to_json(self) -> Json:
        """Return the fixed form."""
        return {
            "format": FORMAT,
            "same": round(self.same, 4),
            "cuts": [cut.to_json() for cut in self.cuts],
            "shift_mm": None if self.shift is None else length_json(self.shift),
            "notes": list(self.notes),
        }


def compare_keys(old: Blade, new: Blade, profiles: tuple[Profile, ...], *, new_is_used: bool = False) -> Comparison:
    """Compare a new key with the old one; the old one's wear is allowed for.

    Parameters
    ----------
    old, new : Blade
    profiles : tuple of Profile
        The library; not empty.
    new_is_used : bool
        The new key has been in use: what its roots lack may be wear.  Else it is a key cut too low.
    """
    uncut = [name for name, blade in (("old", old), ("new", new)) if blade.edges is None]
    if uncut:
        which = "Neither key has" if len(uncut) == 2 else f"The {uncut[0]} key has no"
        note = f"{which} cuts on its edges: look at the faces." if len(uncut) == 1 else f"{which} cuts on its edges."
        return Comparison(0.5 if len(uncut) == 2 else 0.0, (), None, (note,))
    profile = _common_blade(rank(old, profiles), rank(new, profiles), profiles)
    rankings = rank(old, profiles, asked=profile), rank(new, profiles, asked=profile)
    decoded = [ranking.asked.decoded for ranking in rankings if ranking.asked is not None]
    if len(decoded) < 2 or not all(d.best for d in decoded) or len(decoded[0].roots) != len(decoded[1].roots):
        return Comparison(0.0, (), None, ("No blade of the library fits both keys.",))
    worn_mm = max(decoded[1].wear.mm, 0.0) if new_is_used else 0.0
    cuts = _cuts(decoded[0], decoded[1], math.hypot(old.height_common_u_mm, new.height_common_u_mm), worn_mm)
    shift = _difference(decoded[1].shift, decoded[0].shift)
    placed_p, level_p = _placed_p(shift), 1.0 if new_is_used else _level_p(decoded[1].wear)
    same = math.prod(cut.same for cut in cuts) * placed_p * level_p
    return Comparison(same, cuts, shift, (*_blade_notes(rankings, profile), *_notes(cuts, shift, placed_p, level_p)))


def _common_blade(old: Ranking, new: Ranking, profiles: tuple[Profile, ...]) -> Profile:
    """The blade that is likeliest for both keys together; one that isn't listed for a key is taken for unlikely."""
    by_id = [{c.profile.id: c.probability for c in ranking.candidates} for ranking in (old, new)]
    return max(profiles, key=lambda p: math.prod(max(table.get(p.id, 0.0), 1e-9) for table in by_id))


def _cuts(old: Decoded, new: Decoded, common_u_mm: float, worn_mm: float) -> tuple[ComparedCut, ...]:
    """Cut by cut, in the order of reading out; what all differ by is the keys' level, not their cuts'.

    ``worn_mm`` is wear of the new key, which is not the same on all its cuts.
    """
    order = range(len(old.roots)) if old.profile.stop_first else range(len(old.roots) - 1, -1, -1)
    both = [(a, b) for a, b in zip(old.roots, new.roots, strict=True) if a is not None and b is not None]
    level = float(np.median([b.mm - a.mm for a, b in both])) if both else 0.0
    step = float(np.median(np.abs(np.diff(old.profile.roots_mm)))) if len(old.profile.roots_mm) > 1 else math.inf
    cut_sd = math.hypot(CUT_SD_MM, WEAR_SPREAD * worn_mm)
    return tuple(_cut(old, new, i, level, step, common_u_mm, cut_sd) for i in order)


def _cut(
    old: Decoded, new: Decoded, i: int, level_mm: float, step_mm: float, common_u_mm: float, cut_sd_mm: float
) -> ComparedCut:
    place = new.positions[i] or old.positions[i] or Length(old.profile.positions_mm[i], 0.2)
    before, after = old.roots[i], new.roots[i]
    if before is None or after is None:
        return ComparedCut(place, before, after, None, UNREAD_P)
    difference = _difference(after, before)
    own_u = math.sqrt(max(difference.u_mm**2 - common_u_mm**2, 0.0) + cut_sd_mm**2)
    return ComparedCut(place, before, after, difference, _same_p(difference.mm - level_mm, own_u, step_mm))


def _same_p(off_mm: float, u_mm: float, step_mm: float) -> float:
    """Probability that two roots have one depth, from how far they are apart beside what all are apart."""
    misread, wide = MISREAD
    same = (1 - misread) * _normal(off_mm, u_mm) + misread * _normal(off_mm, math.hypot(u_mm, wide))
    apart = sum(STEP_DECAY**n * (_normal(off_mm - k * step_mm, u_mm)) for n in range(STEPS) for k in (n + 1, -n - 1))
    apart *= (1 - STEP_DECAY) / 2
    return (1 - CUT_WRONG_P) * same / ((1 - CUT_WRONG_P) * same + CUT_WRONG_P * apart + LEAST)


def _placed_p(shift: Length) -> float:
    """Probability that the cuts stand where the old ones do, from how far they are shifted."""
    share, sd = MOVED
    right = (1 - share) * _normal(shift.mm, math.hypot(shift.u_mm, PLACED_SD_MM))
    return right / (right + share * _normal(shift.mm, math.hypot(shift.u_mm, sd)) + LEAST)


def _level_p(wear: Length) -> float:
    """Probability that a new key is not cut too low as a whole, from what its roots lack, as wear would show."""
    share, low, spread = LOW
    right = (1 - share) * _normal(wear.mm, math.hypot(wear.u_mm, LEVEL_SD_MM))
    wrong = share * _normal(wear.mm - low, math.hypot(wear.u_mm, spread))
    return right / (right + wrong + LEAST) if wear.mm > 0 else 1.0


def _blade_notes(rankings: tuple[Ranking, Ranking], profile: Profile) -> list[str]:
    notes = [f"Compared as keys of the blade {profile.name}."]
    for name, ranking in zip(("old", "new"), rankings, strict=True):
        asked = ranking.asked
        if asked is None:
            continue
        p = sum(c.probability for c in ranking.candidates if c.group == asked.group)
        if p < BLADE_MIN_P:
            notes.append(f"The photo of the {name} key does not fit this blade well: take it again or measure by hand.")
    return notes


def _notes(cuts: tuple[ComparedCut, ...], shift: Length, placed_p: float, level_p: float) -> list[str]:
    """What differs, in words."""
    notes = []
    for n, cut in enumerate(cuts, 1):
        if cut.difference is None:
            notes.append(f"Cut {n} can't be read on both keys.")
        elif cut.same < BLADE_MIN_P:
            word = "less" if cut.difference.mm < 0 else "more"
            notes.append(f"Cut {n}: the new key has {abs(cut.difference.mm):.2f} mm {word} metal left, another depth.")
    if placed_p < BLADE_MIN_P:
        where = "further from" if shift.mm > 0 else "nearer to"
        notes.append(f"All cuts of the new key are {abs(shift.mm):.2f} mm {where} the stop: cut it again by code.")
    if level_p < BLADE_MIN_P:
        notes.append(TOO_LOW)
    return notes


def _difference(new: Length, old: Length) -> Length:
    return Length(new.mm - old.mm, math.hypot(new.u_mm, old.u_mm))


def _normal(off: float, sd: float) -> float:
    return math.exp(-0.5 * (off / sd) ** 2) / sd
