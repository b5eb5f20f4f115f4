"""Finding profiles in a library: by words, and by what a caliper shows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from keyid.profiles.profile import Profile

ROUNDING_MM = 1e-6  # 28.0 is within 0.1 of 27.9, whatever binary fractions make of it


@dataclass(frozen=True)
class Wanted:
    """What a profile must have to be listed.

    Attributes
    ----------
    words : tuple of str
        Each must stand somewhere among names, ids, source, status, heads and electronics, small or capital.
    width_mm, length_mm, first_mm : float or None
        Values of a caliper: width, length, and stop to the first cut.
    cuts : int or None
        Number of cuts.
    within_mm : float
        How far off a caliper's value may be; widths that no source prints may be off by twice their uncertainty more.
    """

    words: tuple[str, ...] = ()
    width_mm: float | None = None
    length_mm: float | None = None
    first_mm: float | None = None
    cuts: int | None = None
    within_mm: float = 0.1


def search(profiles: Iterable[Profile], wanted: Wanted) -> list[Profile]:
    """Return the profiles that have all that is wanted, in their order."""
    words = [word.casefold() for word in wanted.words]
    return [p for p in profiles if _has_words(p, words) and _has_sizes(p, wanted)]


def _has_words(p: Profile, words: Sequence[str]) -> bool:
    if not words:
        return True
    blanks = (text for b in p.blanks for text in (b.id, b.head, b.head_colour or "", b.electronics, b.note))
    text = "\n".join((p.id, p.name, p.status, p.source, p.stop, *blanks)).casefold()
    return all(word in text for word in words)


def _has_sizes(p: Profile, wanted: Wanted) -> bool:
    """A length that the file doesn't tell does not count against a profile."""
    if wanted.cuts is not None and wanted.cuts not in (p.counts or (len(p.positions_mm),)):
        return False
    sizes = (
        (wanted.width_mm, p.width_mm, p.width_sd_mm),
        (wanted.length_mm, p.length_mm, p.length_sd_mm),
        (wanted.first_mm, p.positions_mm[0], p.positions_sd_mm[0] if p.positions_sd_mm else None),
    )
    return all(
        asked is None or nominal is None or abs(asked - nominal) <= wanted.within_mm + 2 * (sd or 0.0) + ROUNDING_MM
        for asked, nominal, sd in sizes
    )
