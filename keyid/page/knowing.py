"""What a person knows of a key beside its photo: cuts, a code list, a blank to check, keys left, thickness."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from keyid.errors import KeyidError
from keyid.identify import Question
from keyid.page.desks import Asked, Key
from keyid.profiles.profile import Profile
from keyid.rankings.known import Known, ListedCode, fits_none, parse_code_list
from keyid.readings.caliper import typed_mm
from keyid.readings.double_check import profile_of_blank
from keyid.scales.told import BARS_MM, THICKNESSES_MM, Told

Json = dict[str, Any]
Profiles = Mapping[str, Profile]

MOST_CUTS = 20  # on one edge: published systems have 4 to 12
MOST_KEYS_LEFT = 100
MOST_CODES_BYTES = 3_000_000  # a list of a hundred thousand bittings with their numbers
LIST = "The code list"


def asked_of(before: Asked, sent: Json, profiles: Profiles) -> Asked:
    """Return what is asked with what was typed; raises ValueError with one plain sentence where that can't be."""
    library = tuple(profiles.values())
    known = Known(_cuts(sent), _codes(before, sent))
    if known.cuts and fits_none(known, library):
        raise ValueError("No known blade has these cuts. Tell only cuts that you are sure of.")
    blank = _text(sent, "blank") or None
    if blank is not None and profile_of_blank(library, blank) is None:
        raise ValueError(f"There is no blank “{blank}” among the known ones. Choose one of the list.")
    told = replace(before.told, thickness_mm=length_of(sent, "thickness", THICKNESSES_MM))
    without = bool(sent.get("without_scale"))
    if without and replace(told, thickness_mm=None) != Told():
        raise ValueError("You told what the scale is from: take that out first, or leave “Nothing of known size” open.")
    return replace(before, told=told, question=Question(known, blank, without, _keys_left(sent)))


def length_of(sent: Json, name: str, within_mm: tuple[float, float]) -> float | None:
    """A length that was typed; None for nothing."""
    if not _text(sent, name):
        return None
    mm = typed_mm(_text(sent, name))
    low, high = within_mm
    if not low <= mm <= high:
        what = "100 mm bar" if within_mm == BARS_MM else "blade's thickness"
        raise ValueError(f"{mm:g} mm can't be the {what}: it is between {low:g} and {high:g} mm.")
    return mm


def shown_of(key: Key, profiles: Profiles) -> Json:
    """What the part of the page shows: a choice for each cut, and what is in use."""
    question = key.asked.question
    told, listed = dict(question.known.cuts), question.known.listed
    fitting = _fitting(key, profiles)
    count = max([*(len(profile.positions_mm) for profile in fitting), *told, 0])
    codes = {code: None for profile in fitting for code in profile.codes}
    for code in told.values():
        codes.setdefault(code, None)
    return {
        "cuts": [(number, told.get(number, "")) for number in range(1, count + 1)],
        "codes": sorted(codes, key=lambda code: (len(code), code)),
        "listed": None if listed is None else len(listed),
    }


def _fitting(key: Key, profiles: Profiles) -> list[Profile]:
    """The blade that fits best, with those that look like it."""
    candidates = () if key.examination is None else key.examination.reading.candidates
    return [profiles[c.profile.id] for c in candidates if c.group == candidates[0].group]


def _cuts(sent: Json) -> tuple[tuple[int, str], ...]:
    cuts = sent.get("cuts")
    found = {}
    for number, code in cuts.items() if isinstance(cuts, dict) else ():
        told = str(code).strip()
        if not told:
            continue
        right = str(number).isdecimal() and 0 < int(number) <= MOST_CUTS and told.isalnum() and told.isascii()
        if not right:
            raise ValueError(f"“{number} = {told}” is not a cut and its code.")
        found[int(number)] = told
    return tuple(sorted(found.items()))


def _codes(before: Asked, sent: Json) -> tuple[ListedCode, ...] | None:
    """The code list that was sent; the one before where none was, so that it need not be sent again."""
    if "codes" not in sent:
        return before.question.known.listed
    text = str(sent["codes"] or "")
    if not text.strip():
        return None
    try:
        return parse_code_list(text, LIST)
    except KeyidError as error:
        raise ValueError(f"{error.message} {error.advice}") from error


def _keys_left(sent: Json) -> int | None:
    text = _text(sent, "working_keys")
    if not text:
        return None
    if not text.isdecimal() or int(text) > MOST_KEYS_LEFT:
        raise ValueError(f"Tell the working keys that are left as a number, 0 to {MOST_KEYS_LEFT}.")
    return int(text)


def _text(sent: Json, name: str) -> str:
    return str(sent.get(name) or "").strip()
