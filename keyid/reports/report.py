"""What a report says, in words and rows, the same for every format: what it is, what to do, trust and check."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass, replace
from importlib.metadata import version

from keyid.blades.blade import BudgetLine
from keyid.identify import Examination
from keyid.length import COVERAGE, MM_PER_INCH, in_mm, in_thou
from keyid.probability import percent, sure_word, sure_words
from keyid.profiles.profile import Profile
from keyid.readings.reading import BittingCut, BlankFit, CandidateFacts, Confirmation, Reading
from keyid.reports.blade_drawing import draw_blade
from keyid.reports.drawing import Drawing
from keyid.reports.photo_layers import LayeredPhoto, layered_closeup, layered_overview
from keyid.reports.template import draw_template
from keyid.reports.text import (
    ELECTRONICS,
    ORDER_WORDS,
    blades_left,
    both_units,
    do_now,
    edge_words,
    how_to_cut,
    photo_advice,
    plain,
    pointed_words,
    retake_first,
    then_try,
    verdict,
)
from keyid.scales.told import NAMES

CUT_LIMIT_MM = 0.05  # of a new key's root, where the profile doesn't say how it scatters (trade: about 0.002 in)
LEVELS = {"almost certain": "sure", "likely": "likely"}  # how a code is framed, by the word for its probability
OTHERS_P, OTHERS_MOST = 0.01, 3  # other codes of a cut: less likely or more of them aren't worth a place
BLANKS_MOST = 12  # rows: a page has no room for more
BUDGET_LEAST_MM = 0.001  # contributions below a micrometre say nothing

SEAT = {
    "shoulder": "The key is located by its shoulder: push it against the stop until the shoulder touches.",
    "tip": "The key is located by its tip: push the tip against the stop; the shoulder does not count.",
    "unknown": "The photo does not show what locates the key: find out before cutting.",
}
SEAT_WHY = (
    "Hold as much of the blade as the clamp takes, level and with its straight edge on the rest. A gap at the stop "
    "moves every cut by as much; a blade that tilts or rides up makes cuts wrong toward one end."
)
ELECTRONICS_TODO = {
    "none": "Nothing electronic is known with these blanks.",
    "known": "Some of these blanks carry electronics, which no photo shows: test the key before buying a blank.",
    "unknown": "Whether the head carries electronics is not known: test the key before buying a blank.",
}


@dataclass(frozen=True)
class Record:
    """What goes on file with the reading.

    Attributes
    ----------
    made : datetime
    asked_by, authority : str or None
        Who asked for the key, and what authority was seen.
    hide_bitting : bool
        True for a copy that may leave the workshop: no bitting, no cuts, no photo.
    measured : tuple of str
        What was measured by hand and is weighed in the reading.
    """

    made: datetime.datetime
    asked_by: str | None = None
    authority: str | None = None
    hide_bitting: bool = False
    measured: tuple[str, ...] = ()


@dataclass(frozen=True)
class CutRow:
    """One cut as it is read out; lengths in words, mm and thousandths of an inch."""

    number: int
    code: str
    sure: str
    level: str
    position_mm: str
    position_thou: str
    root_mm: str
    root_thou: str
    cut_to_mm: str
    cut_to_thou: str
    others: str


@dataclass(frozen=True)
class CheckRow:
    """A length to measure by hand, and within which limits the reading is right."""

    what: str
    expected: str
    limits: str
    thou: str


@dataclass(frozen=True)
class BlankRow:
    """A blank that the key can be made of."""

    blade: str
    probability: str
    id: str
    head: str
    electronics: str
    test_blank: str
    speaks_for: str
    speaks_against: str


@dataclass(frozen=True)
class BudgetRow:
    """One source of uncertainty, as one standard uncertainty, in mm."""

    source: str
    root: str
    width: str
    length: str
    position: str


@dataclass(frozen=True)
class Report:
    """Everything that a report shows; drawings and photo are None where the bitting is hidden."""

    retake: str
    verdict: str
    sure: str
    do_now: str
    code: tuple[CutRow, ...]
    order: str
    also: str
    sizes: tuple[tuple[str, str], ...]
    cut_limit: str
    advice: str
    seat: tuple[str, ...]
    checks: tuple[CheckRow, ...]
    blanks: tuple[BlankRow, ...]
    left_out: str
    electronics: str
    test_blanks: str
    reasons: tuple[tuple[str, tuple[str, ...], tuple[str, ...]], ...]
    budget: tuple[BudgetRow, ...]
    cautions: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    asked_by: str | None
    authority: str | None
    hidden: bool
    blade: Drawing | None
    template: Drawing | None
    closeup: LayeredPhoto | None
    overview: LayeredPhoto | None


def make_report(examination: Examination, record: Record) -> Report:
    """Put a reading into the words, rows and drawings of a report."""
    words = report_words(examination, record)
    if record.hide_bitting:
        return words
    profile = bitting_profile(examination.reading)
    return replace(
        words,
        blade=draw_blade(examination.reading, examination.blade, profile),
        template=draw_template(examination, profile),
        closeup=layered_closeup(examination, profile),
        overview=layered_overview(examination),
    )


def report_words(examination: Examination, record: Record) -> Report:
    """Put a reading into the words and rows of a report, without its drawings."""
    reading, hidden = examination.reading, record.hide_bitting
    profile = bitting_profile(reading)
    return Report(
        retake=retake_first(reading),
        verdict=_verdict(reading, hidden),
        sure=sure_words(reading.bitting.probability) if reading.bitting else "",
        do_now="" if hidden else do_now(reading),
        code=() if hidden else _cut_rows(reading, profile),
        order=ORDER_WORDS[reading.bitting.order] if reading.bitting else "",
        also="" if hidden or reading.bitting is None else then_try(reading.bitting),
        sizes=tuple(_sizes(reading)),
        cut_limit=_both_limit(_cut_limit_mm(profile)),
        advice=photo_advice(reading),
        seat=tuple(_seat(reading, profile)),
        checks=() if hidden else tuple(_check(check) for check in reading.confirm),
        blanks=tuple(_blank_rows(reading))[:BLANKS_MOST],
        left_out=_left_out(reading),
        electronics=_electronics(reading),
        test_blanks=", ".join(_test_blanks(reading)),
        reasons=() if hidden else tuple(_reasons(reading)),
        budget=() if hidden else tuple(_budget_row(line) for line in examination.blade.budget),
        cautions=reading.cautions,
        facts=tuple(_facts(reading, record)),
        asked_by=record.asked_by,
        authority=record.authority,
        hidden=hidden,
        blade=None,
        template=None,
        closeup=None,
        overview=None,
    )


def bitting_profile(reading: Reading) -> Profile | None:
    """Return the profile that the bitting was read with."""
    wanted = reading.bitting.profile if reading.bitting else None
    return next((c.profile for c in reading.candidates if c.profile.id == wanted), None)


def _verdict(reading: Reading, hidden: bool) -> str:
    """Which blade it is; the bitting is shown by itself, or hidden."""
    said = verdict(reading)
    if reading.bitting is None:
        return said
    return said.rpartition(" Cuts ")[0] + (" The bitting is left out of this copy." if hidden else "")


def _cut_rows(reading: Reading, profile: Profile | None) -> tuple[CutRow, ...]:
    if reading.bitting is None:
        return tuple(
            _cut_row(n, BittingCut(cut.position, cut.root, edge_words(reading, cut), 0.0, ()), None)
            for n, cut in enumerate(reading.cuts, 1)
        )
    return tuple(_cut_row(n, cut, profile) for n, cut in enumerate(reading.bitting.cuts, 1))


def _cut_row(number: int, cut: BittingCut, profile: Profile | None) -> CutRow:
    nominal = None if profile is None else dict(zip(profile.codes, profile.roots_mm, strict=True)).get(cut.code)
    return CutRow(
        number=number,
        code=cut.code,
        sure="" if profile is None else percent(cut.probability),
        level=LEVELS.get(sure_word(cut.probability), "unsure"),
        position_mm=f"{cut.position.mm:.2f}",
        position_thou=f"{cut.position.thou:.0f}",
        root_mm=in_mm(cut.root),
        root_thou=in_thou(cut.root),
        cut_to_mm="" if nominal is None else f"{nominal:.2f}",
        cut_to_thou="" if nominal is None else f"{nominal / MM_PER_INCH * 1000:.1f}",
        others=", ".join([f"{code} ({percent(p)})" for code, p in cut.others if p >= OTHERS_P][:OTHERS_MOST]),
    )


def _both_limit(limit_mm: float) -> str:
    return f"±{limit_mm:.2f} mm = ±{limit_mm / MM_PER_INCH * 1000:.0f} thou"


def _cut_limit_mm(profile: Profile | None) -> float:
    made = profile.as_made_sd_mm if profile else None
    return CUT_LIMIT_MM if made is None else COVERAGE * made


def _sizes(reading: Reading) -> Iterator[tuple[str, str]]:
    blade = reading.blade
    yield "width", both_units(blade.width)
    if blade.length is not None:
        yield "length", both_units(blade.length)
    yield "cut edges", "none seen" if blade.edges is None else str(blade.edges)


def _seat(reading: Reading, profile: Profile | None) -> Iterator[str]:
    """Where the key must sit, and what goes wrong if not."""
    yield SEAT[reading.blade.stop]
    yield SEAT_WHY
    cutting = how_to_cut(reading).split(". ", 1)
    if len(cutting) > 1:
        yield cutting[1]


def _check(check: Confirmation) -> CheckRow:
    low, high = check.expected.mm - check.tolerance_mm, check.expected.mm + check.tolerance_mm
    thou = [1000 * mm / MM_PER_INCH for mm in (low, high)]
    return CheckRow(
        check.what, f"{check.expected.mm:.2f}", f"{low:.2f} to {high:.2f}", f"{thou[0]:.0f} to {thou[1]:.0f}"
    )


def _fitting(reading: Reading) -> list[CandidateFacts]:
    """Blades that are left; none when it is likelier that no blade of the library fits."""
    return blades_left(reading) if reading.candidates and reading.none_of_these < 0.5 else []


def _blank_rows(reading: Reading) -> Iterator[BlankRow]:
    """Blanks of the blades that are left, of each blade those first that the photo speaks for."""
    for candidate in _fitting(reading):
        for fit in sorted(candidate.blanks, key=lambda fit: len(fit.speaks_against) - len(fit.speaks_for)):
            yield _blank_row(candidate, fit)


def _blank_row(candidate: CandidateFacts, fit: BlankFit) -> BlankRow:
    blank = fit.blank
    return BlankRow(
        blade=candidate.profile.name,
        probability=percent(candidate.probability),
        id=blank.id,
        head=" ".join(part for part in (blank.head_colour, blank.head) if part),
        electronics=ELECTRONICS[blank.electronics],
        test_blank="" if blank.test_blank in (None, blank.id) else str(blank.test_blank),
        speaks_for="; ".join(fit.speaks_for),
        speaks_against="; ".join(fit.speaks_against),
    )


def _left_out(reading: Reading) -> str:
    more = sum(len(candidate.blanks) for candidate in _fitting(reading)) - BLANKS_MOST
    return f"{more} more blanks are left out here." if more > 0 else ""


def _electronics(reading: Reading) -> str:
    kinds = {fit.blank.electronics for candidate in _fitting(reading) for fit in candidate.blanks}
    if not kinds:
        return ELECTRONICS_TODO["unknown"]
    return ELECTRONICS_TODO["none" if kinds == {"none"} else "unknown" if kinds == {"unknown"} else "known"]


def _test_blanks(reading: Reading) -> list[str]:
    """Plain metal blanks to try the cuts with first."""
    fits = [fit.blank for candidate in _fitting(reading) for fit in candidate.blanks]
    return sorted({blank.test_blank for blank in fits if blank.test_blank})


def _reasons(reading: Reading) -> Iterator[tuple[str, tuple[str, ...], tuple[str, ...]]]:
    """For each listed blade with its probability: what speaks for it and what against."""
    for candidate in reading.candidates:
        name = f"{candidate.profile.name} ({percent(candidate.probability)})"
        yield name, candidate.speaks_for, candidate.speaks_against


def _budget_row(line: BudgetLine) -> BudgetRow:
    values = (line.height_mm, line.width_mm, line.length_mm, line.station_mm)
    root, width, length, position = ("-" if abs(v) < BUDGET_LEAST_MM else f"{abs(v):.3f}" for v in values)
    return BudgetRow(line.source, root, width, length, position)


def _facts(reading: Reading, record: Record) -> Iterator[tuple[str, str]]:
    """What identifies the photo and how it was measured."""
    yield "made", record.made.strftime("%Y-%m-%d %H:%M")
    for photo in (reading.photo, *reading.further_photos):
        yield "photo", plain(photo.file)
        yield "photo's SHA-256", photo.sha256
    for note in reading.notes:
        yield "note", plain(note)
    scale = reading.scale
    named = {str(kind): name for kind, name in NAMES.items()}
    what = named.get(scale.reference, scale.reference)
    yield "scale", f"{what}, {scale.px_per_mm:.1f} pixels a mm, camera tilted {scale.tilt_deg:.0f} degrees"
    for kind, ratio, u in scale.agrees:
        yield "scale checked", f"the {named.get(kind, kind)} has {100 * ratio:.2f} ±{200 * u:.2f} % of its size by it"
    if reading.pointed:
        yield "by hand", pointed_words(reading)
    if record.measured and not record.hide_bitting:
        yield "by caliper", "; ".join(record.measured)
    yield "none of the known blades", percent(reading.none_of_these)
    yield "keyid", version("keyid")
