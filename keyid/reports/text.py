"""The reading in words: at most one screen.

Whoever reads it has a customer watching: which blade, how sure and what to do now is seen at a glance, after one line
on what limits the photo most; or three, where the photo is poor and the answer not sure.
"""

from __future__ import annotations

import re
import textwrap

from keyid.errors import KeyidError
from keyid.length import COVERAGE, Length, in_mm, in_thou
from keyid.probability import percent, sure_words
from keyid.readings.double_check import check_words
from keyid.readings.reading import BittingCut, BittingFacts, BlankFit, CandidateFacts, Reading, SeenCut
from keyid.readings.remark import Remark, further_words, grade_words, is_poor, worst_words
from keyid.readings.sending import ASK

WIDTH = 80  # columns of the smallest terminal in use
LABEL = 10  # columns of the label before each paragraph
SHOWN_CANDIDATES = 3  # more don't help at the kerb; --json has them all
SHOWN_BLANKS = 3
BLANK_LINES = 2
NOTE_LINES = 5
KEY_LINES = 3
LONGEST_NAME = 24  # characters of a blade's name
LISTED_P = 0.05  # blades less likely than this, or than this part of the first, aren't worth a line
DECIDED_P = 0.90  # above this the verdict names one blade only
TRUSTED_P = 0.85  # a reading that sure is worth reading before what is wrong with the photo
FITS_NONE_P = 0.50  # more likely than not outside the library
SHOWN_REMARKS = 3  # on the photo: the worst; `keyid look` has them all
SCREEN_LINES, LEAST_BETTER_LINES = 30, 1
PHOTO_LINES, POOR_LINES = 2, 3  # on the photo before the verdict; on a poor one whose reading isn't sure
TRY_MIN_P, TRY_MOST = 0.05, 2  # less likely whole bittings aren't worth a blank
TRY_MAX_CUTS = 10  # of more cuts their table fills the screen
EVIDENT = 2.0  # a shift or wear of this many standard uncertainties is worth telling

NO_BREAK = "\u00a0"
UNIT_AFTER_SPACE = re.compile(r" (?=%|mm\b|thou\b)|(?<=\bover) (?=\d)|(?<=\bunder) (?=\d)")
"""A number, its unit and what bounds it stay on one line."""

STOP_WORDS = {
    "shoulder": "Set the blank's shoulder against the stop, blade level in the clamp.",
    "tip": "Set the blank's tip against the stop, not its shoulder; blade level in the clamp.",
    "unknown": "Find out first whether shoulder or tip is the stop: the photo does not show it.",
}
ORDER_WORDS = {"bow-to-tip": "bow to tip", "tip-to-bow": "tip to bow"}
EDGE_WORDS = {"a": "upper", "b": "lower"}
"""Of two cut edges, the tip turned right."""
ELECTRONICS = {
    "none": "no electronics",
    "fixed-code": "fixed-code chip",
    "encrypted": "encrypted chip",
    "rolling-code": "rolling-code remote",
    "unknown": "electronics not known",
}


def reading_text(reading: Reading) -> str:
    """Return the reading as text of at most 80 columns and 30 lines."""
    limits, sure = limiting(reading), _is_sure(reading)
    blocks = [
        paragraph("Photo", worst_words(limits, in_full=not sure), max_lines=PHOTO_LINES if sure else POOR_LINES),
        paragraph("Verdict", blade_verdict(reading)) + paragraph("", cuts_verdict(reading)),
        paragraph("Checked", "" if reading.checked is None else check_words(reading.checked)),
        paragraph("Do now", do_now(reading)),
        paragraph("Note", " ".join(reading.notes), max_lines=NOTE_LINES),
        paragraph("By hand", pointed_words(reading)),
        _cut_table(reading),
        paragraph("Size", _size(reading)),
        paragraph("Cutting", how_to_cut(reading)),
        paragraph("Blanks", _blanks(reading), max_lines=BLANK_LINES),
        paragraph("Key", " ".join(reading.whole_key), max_lines=KEY_LINES),
    ]
    beware = paragraph("Beware", " ".join(reading.cautions))
    told = [line for block in blocks for line in block]
    room = max(LEAST_BETTER_LINES, SCREEN_LINES - len(told) - len(beware))
    better = paragraph("Better", further_words(limits, SHOWN_REMARKS, in_full=not sure), max_lines=room)
    return "\n".join([*told, *better, *beware]) + "\n"


def verdict(reading: Reading) -> str:
    """Say which blade it is, whether cuts are known, and how sure both are."""
    return " ".join(said for said in (blade_verdict(reading), cuts_verdict(reading)) if said)


def blade_verdict(reading: Reading) -> str:
    """Say which blade it is, and how sure that is."""
    if reading.none_of_these >= FITS_NONE_P:
        sure = sure_words(reading.none_of_these)
        return f"No blade in the library fits this key ({sure}). Do not cut from this reading."
    return _blades_left(reading) if reading.candidates else "No blade could be named. Do not cut from this reading."


def cuts_verdict(reading: Reading) -> str:
    """Say what the cuts are, and how sure all of them together; nothing where no blade fits."""
    if reading.none_of_these >= FITS_NONE_P or not reading.candidates:
        return ""
    if reading.bitting is not None:
        number = reading.bitting.code_number
        listed = "" if number is None else f", {number} in the code list"
        cuts = f"Cuts {reading.bitting.code} ({sure_words(reading.bitting.probability)}){listed}."
        return f"{cuts} {then_try(reading.bitting)}".rstrip()
    if reading.blade.edges is None:
        return "Nothing is cut on its edges: a blank, or a key cut on its face."
    return "The cuts can't be read."


def then_try(bitting: BittingFacts) -> str:
    """The next whole bittings in the order to try them; empty where none is worth a blank."""
    worth = [f"{code} ({percent(p)})" for code, p in bitting.also if p >= TRY_MIN_P][:TRY_MOST]
    return f"Then try {', '.join(worth)}." if worth and len(bitting.cuts) <= TRY_MAX_CUTS else ""


def error_text(error: KeyidError) -> str:
    """Return an error as one plain sentence: what is wrong, and what to do."""
    advice = error.advice
    if advice[1:2].islower():
        advice = advice[0].lower() + advice[1:]
    return plain(f"{error.message.rstrip('.')}: {advice}" if advice else error.message)


def plain(text: str) -> str:
    """Replace what could steer a terminal: names come from files that others made."""
    return "".join(c if c.isprintable() else " " for c in text)


def both_units(length: Length) -> str:
    """Return a length with its 95 % limits in mm and in thousandths of an inch."""
    return f"{in_mm(length)} mm = {in_thou(length)} thou"


def paragraph(label: str, text: str, max_lines: int | None = None, indent: int = LABEL) -> list[str]:
    """Lines of a labelled paragraph; none where there is nothing to say.  Ids and bittings stay on one line."""
    first, further = label.ljust(indent), " " * indent
    wrapper = textwrap.TextWrapper(
        WIDTH, first, further, max_lines=max_lines, placeholder=" ...", break_on_hyphens=False
    )
    return [line.replace(NO_BREAK, " ") for line in wrapper.wrap(together(plain(text)))] if text else []


def together(text: str) -> str:
    """Keep a number with its unit and with what bounds it, where text is wrapped."""
    return UNIT_AFTER_SPACE.sub(NO_BREAK, text)


def retake_first(reading: Reading) -> str:
    """What to do about a poor photo whose reading isn't sure, to be told before anything else; else nothing."""
    remarks = limiting(reading)
    return worst_words(remarks, in_full=True) if is_poor(remarks) and not _is_sure(reading) else ""


def photo_advice(reading: Reading) -> str:
    """What limits the photo, the worst first, by how much and what to do; without what `retake_first` tells."""
    told, remarks = bool(retake_first(reading)), limiting(reading)
    grade = "" if told else grade_words(remarks)
    return f"{grade} {further_words(remarks, SHOWN_REMARKS, in_full=told)}".strip()


def limiting(reading: Reading) -> tuple[Remark, ...]:
    """What limits the photo, the worst first: what was lost on its way, told once, among the rest."""
    sending = reading.sending
    if sending is None:
        return reading.remarks
    kept = [one for one in reading.remarks if not one.lost]
    way = Remark(sending.cost_mm, sending.what, ASK, lost=True)
    return tuple(sorted([way, *kept], key=lambda one: -one.cost_mm))


def pointed_words(reading: Reading) -> str:
    """Say what was pointed at by hand, and within which limits it was taken from there."""
    if not reading.pointed:
        return ""
    told = [
        f"the {fact.what} ({'its place was measured' if fact.u_mm is None else f'±{COVERAGE * fact.u_mm:.2f} mm'})"
        for fact in reading.pointed
    ]
    return f"Pointed at in the photo: {', '.join(told)}."


def _first_group(reading: Reading) -> list[CandidateFacts]:
    """The first blade with those that the photo can't separate from it."""
    return [c for c in reading.candidates if c.group == reading.candidates[0].group]


def _is_decided(reading: Reading) -> bool:
    return sum(c.probability for c in _first_group(reading)) >= DECIDED_P


def _is_sure(reading: Reading) -> bool:
    """Tell whether blade and cuts are so sure that a poor photo need not come first."""
    if reading.bitting is not None:
        return reading.bitting.probability >= TRUSTED_P
    return reading.blade.edges is None and bool(reading.candidates) and _is_decided(reading)


def blades_left(reading: Reading) -> list[CandidateFacts]:
    """Blades that are worth a person's time, best first."""
    if _is_decided(reading):
        together = _first_group(reading)
        return [c for c in together if c.probability >= LISTED_P * together[0].probability]
    return [c for c in reading.candidates if c.probability >= LISTED_P] or [reading.candidates[0]]


def _blades_left(reading: Reading) -> str:
    """Name the first blade, with those that the photo can't separate from it, or the few that are left."""
    left = blades_left(reading)
    more = f" and {len(left) - SHOWN_CANDIDATES} more" if len(left) > SHOWN_CANDIDATES else ""
    together = sure_words(sum(c.probability for c in left))
    if len(left) == 1:
        return f"{'Blade' if _is_decided(reading) else 'Perhaps blade'} {_name(left[0])} ({together})."
    if _is_decided(reading):
        names = ", ".join(_name(c) for c in left[:SHOWN_CANDIDATES])
        return f"One of {names}{more} ({together}): this photo can't tell them apart."
    names = ", ".join(f"{_name(c)} {percent(c.probability)}" for c in left[:SHOWN_CANDIDATES])
    return f"{len(left)} blades left: {names}{more}."


def _name(candidate: CandidateFacts) -> str:
    return textwrap.shorten(candidate.profile.name, LONGEST_NAME, placeholder="...")


def do_now(reading: Reading) -> str:
    """Say the one thing to do first."""
    if reading.none_of_these >= FITS_NONE_P:
        return "Look for a blank by the width, length and cut positions below, and compare it end-on."
    if reading.next_measurement is not None:
        return f"{reading.next_measurement.what} {reading.next_measurement.why}"
    if reading.confirm:
        first = reading.confirm[0]
        return f"Confirm by caliper: {first.what}: {first.expected.mm:.2f} ±{first.tolerance_mm:.2f} mm."
    return ""


def _cut_table(reading: Reading) -> list[str]:
    """One line a cut: as decoded for the likeliest blade, else as found without one."""
    if reading.bitting is not None:
        order = ORDER_WORDS[reading.bitting.order]
        heading = f"code  sure       metal left at the root, 95 % limits ({order})"
        rows = [_decoded_row(n, cut) for n, cut in enumerate(reading.bitting.cuts, 1)]
    elif reading.cuts:
        heading = f"{'edge (tip right)' if reading.blade.edges == 2 else '':<17}metal left, 95 % limits (from the stop)"
        rows = [
            f"{n:>2}   {edge_words(reading, cut):<17}{_root(cut.position, cut.root)}"
            for n, cut in enumerate(reading.cuts, 1)
        ]
    else:
        return []
    head = "Cuts".ljust(LABEL) + " n   " + heading
    return [head, *(" " * LABEL + row for row in rows)]


def edge_words(reading: Reading, cut: SeenCut) -> str:
    """Which of two cut edges a cut is on; nothing where only one is cut."""
    return EDGE_WORDS[cut.edge] if reading.blade.edges == 2 else ""


def _decoded_row(number: int, cut: BittingCut) -> str:
    return f"{number:>2}   {cut.code:<4}  {percent(cut.probability):<9}  {_root(cut.position, cut.root)}"


def _root(position: Length, root: Length) -> str:
    return f"{both_units(root)}, at {position.mm:.2f} mm"


def _size(reading: Reading) -> str:
    blade = reading.blade
    facts = [f"{both_units(blade.width)} wide"]
    if blade.length is not None:
        facts.append(f"{both_units(blade.length)} long")
    return ", ".join(facts)


def how_to_cut(reading: Reading) -> str:
    """How to place and hold the blank, and what the key tells of its past."""
    if reading.bitting is None:
        return ""
    said = [STOP_WORDS[reading.blade.stop]]
    if reading.blade.edges == 2:
        said.append("Cut both edges alike.")
    hold = reading.candidates[0].profile.hold if reading.candidates else None
    return " ".join([*said, *([hold] if hold else []), *_past(reading.bitting)])


def _past(bitting: BittingFacts) -> list[str]:
    past = []
    if abs(bitting.shift.mm) > EVIDENT * bitting.shift.u_mm:
        away = "away from" if bitting.shift.mm > 0 else "toward"
        past.append(f"All cuts sit {abs(bitting.shift.mm):.2f} mm {away} the stop: a copy made off its stop.")
    if bitting.wear.mm > EVIDENT * bitting.wear.u_mm:
        past.append(f"Worn by about {bitting.wear.mm:.2f} mm: cut to code, do not trace.")
    return past


def _blanks(reading: Reading) -> str:
    """Blanks made with the blades that are left."""
    if not reading.candidates or reading.none_of_these >= FITS_NONE_P:
        return ""
    left = blades_left(reading)[:SHOWN_CANDIDATES]
    if len(left) == 1:
        return _blanks_of(left[0], SHOWN_BLANKS)
    return ". ".join(f"{_name(c)}: {_blanks_of(c, 1)}" for c in left if c.blanks)


def _blanks_of(candidate: CandidateFacts, shown: int) -> str:
    """Some blanks of a blade, those that the photo speaks for first."""
    fits = sorted(candidate.blanks, key=lambda fit: len(fit.speaks_against) - len(fit.speaks_for))
    more = [f"{len(fits) - shown} more"] if len(fits) > shown else []
    return "; ".join([*(_blank(fit) for fit in fits[:shown]), *more])


def _blank(fit: BlankFit) -> str:
    blank = fit.blank
    test = f", try cuts on {blank.test_blank}" if blank.test_blank not in (None, blank.id) else ""
    return f"{blank.id} ({blank.head} head, {ELECTRONICS[blank.electronics]}{test})"
