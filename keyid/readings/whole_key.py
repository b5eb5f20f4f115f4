"""What else than the blade has to match: head, electronics, a blank to try the cuts on, and adding to the keys left."""

from __future__ import annotations

from collections.abc import Iterator

from keyid.profiles.profile import Blank, Profile
from keyid.readings.reading import CandidateFacts

ELECTRONICS_WORDS = {
    "none": "none",
    "fixed-code": "a fixed-code chip",
    "encrypted": "an encrypted chip",
    "rolling-code": "a rolling-code remote",
    "unknown": "some that the file does not know",
}
SAME_SHOWN = 3  # blades told of adding a key


def whole_key(alike: list[CandidateFacts], working_keys: int | None, *, is_cut: bool = True) -> tuple[str, ...]:
    """Say it in plain sentences.

    Parameters
    ----------
    alike : list of CandidateFacts
        The blades that are left.
    working_keys : int or None
        How many working keys the customer still has, where that was told.
    is_cut : bool
        Whether there are cuts on the edges, to be tried on a cheap blank first.
    """
    blanks = [fit.blank for candidate in alike for fit in candidate.blanks]
    adding = () if working_keys is None else _adding(alike, working_keys)
    trying = _test_blank(blanks) if is_cut else ()
    return (*adding, *_electronics(blanks), *trying, *_shared(blanks))


def _shared(blanks: list[Blank]) -> Iterator[str]:
    """How many blanks have this blade, and what their heads don't tell."""
    if len(blanks) < 2:
        return
    yield f"{len(blanks)} blanks share this blade; heads and colours vary."


def _electronics(blanks: list[Blank]) -> Iterator[str]:
    kinds = [kind for kind in ELECTRONICS_WORDS if any(blank.electronics == kind for blank in blanks)]
    if kinds in ([], ["none"]):
        return
    words = [ELECTRONICS_WORDS[kind] for kind in kinds]
    if len(words) == 1:
        yield f"Their heads hold {words[0]}, which has to match as well."
    else:
        yield f"A photo can't show the electronics in the head: {', '.join(words[:-1])} or {words[-1]}. Find out."


def _test_blank(blanks: list[Blank]) -> Iterator[str]:
    """The plain metal blank to spoil first."""
    by_id = {blank.id: blank for blank in blanks}
    named = [blank.test_blank for blank in blanks if blank.test_blank is not None]
    plain = [blank.id for blank in blanks if blank.head == "metal" and blank.electronics == "none"]
    first = next(iter([*named, *plain]), None)
    if first is not None and any(blank.electronics != "none" or blank.id != first for blank in blanks):
        known = "" if first in by_id else " (not in this file)"
        yield f"Try the cuts on the plain metal blank {first}{known} first."


def _adding(alike: list[CandidateFacts], working_keys: int) -> Iterator[str]:
    """What adding a key takes, from the files of the blades that are left."""
    left = "no working key" if working_keys == 0 else f"{working_keys} working key{'s' * (working_keys > 1)}"
    told: dict[str, list[str]] = {}
    for candidate in alike:
        told.setdefault(_for_so_many(candidate.profile, working_keys) or "", []).append(candidate.profile.name)
    for text, names in list(told.items())[:SAME_SHOWN]:
        whose = "" if len(told) == 1 else f" ({', '.join(names[:SAME_SHOWN])})"
        if text:
            yield f"With {left} left{whose}: {text}"
        else:
            yield f"What adding a key takes with {left} left is not in the file{whose}."


def _for_so_many(profile: Profile, working_keys: int) -> str | None:
    """The text for the greatest number of keys that are not more than those left."""
    fitting = [text for keys, text in profile.adding_keys if keys <= working_keys]
    return fitting[-1] if fitting else None
