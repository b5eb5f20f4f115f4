"""Two keys compared, in words: whether the bitting is the same, what to do, and cut by cut."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from keyid.length import in_mm, in_thou
from keyid.probability import sure_words
from keyid.readings.cautions import CAUTIONS
from keyid.reports.text import LABEL, paragraph

if TYPE_CHECKING:
    from keyid.readings.comparison import ComparedCut, Comparison


TRY_P = 0.85  # that likely the bitting is the same, the key goes into the lock; and that likely a cut is not to blame


def comparison_text(compared: Comparison) -> str:
    """Return the comparison of an old and a new key as text of at most 80 columns."""
    lines = [
        *paragraph("Verdict", same_words(compared.same)),
        *paragraph("Do now", try_words(compared)),
        *_cut_table(compared.cuts),
        *(line for n, note in enumerate(compared.notes) for line in paragraph("" if n else "Note", note)),
        *paragraph("Beware", " ".join(CAUTIONS)),
    ]
    return "\n".join(lines) + "\n"


def same_words(same: float) -> str:
    """Say whether a new key has the old one's bitting, and how sure that is."""
    if same >= 0.5:
        return f"The new key has the old one's bitting ({sure_words(same)})."
    return f"The new key does not have the old one's bitting ({sure_words(1 - same)})."


def try_words(compared: Comparison) -> str:
    """Say whether to try the new key in the lock, or what to measure before."""
    if compared.same >= TRY_P:
        return "Try the new key in the lock, with the door open."
    if not compared.cuts:
        return "Keep the new key out of the lock: lay both keys on each other and compare them by eye."
    worst = min(range(len(compared.cuts)), key=lambda n: compared.cuts[n].same)
    if compared.cuts[worst].same >= TRY_P:
        return "Keep the new key out of the lock: its cuts as a whole are not where they were, see the note."
    place = f"{compared.cuts[worst].position.mm:.2f} mm from the stop"
    return f"Keep the new key out of the lock: measure cut {worst + 1}, {place}, of both keys with a caliper first."


def _cut_table(cuts: tuple[ComparedCut, ...]) -> Iterator[str]:
    """One line a cut: the metal left on both keys, and by how much the new one has more."""
    if not cuts:
        return
    yield "Cuts".ljust(LABEL) + " n   old      new      new less old, 95 % limits"
    for n, cut in enumerate(cuts, 1):
        old, new = ("not seen" if root is None else f"{root.mm:.2f} mm" for root in (cut.old, cut.new))
        apart = cut.difference
        more = "" if apart is None else f"{in_mm(apart, '+')} mm = {in_thou(apart, '+')} thou"
        yield f"{'':<{LABEL}}{n:>2}   {old:<9}{new:<9}{more}".rstrip()
