"""Profiles in words: lists, one profile, what tells several apart, and what a check found."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from keyid.length import MM_PER_INCH
from keyid.profiles.library_check import CheckedFile
from keyid.profiles.profile import Blank, Profile
from keyid.profiles.profile_compare import Comparison, Feature
from keyid.reports.text import ELECTRONICS, ORDER_WORDS, WIDTH, paragraph, plain

LABEL = 15  # columns of the label before each paragraph
GAP = "  "
LEAST_LAST = 20  # columns that a table's last one gets at least
SHOWN_LOOK_ALIKES = 12  # more names tell a person nothing
COLOURS_NOTE = "Head colours are no standard: makers choose as they like."
ELECTRONICS_NOTE = "Electronics can't be seen: test the customer's key before a blank is bought."
PHOTO_WORDS = {"yes": "A photo tells", "unsure": "A photo may tell", "no": "A photo can't tell"}
UNPROVED = ("from-memory", "invented")
"""Kinds of profiles that nobody should take for a maker's table."""


def list_text(profiles: Sequence[Profile]) -> str:
    """Return one line a profile, names that are too long on two."""
    head = ("id", "stop", "edges", "cuts", "width", "length", "name")
    return _table([head, *(_list_row(p) for p in profiles)])


def _list_row(p: Profile) -> tuple[str, ...]:
    counts = "/".join(map(str, p.counts or (len(p.positions_mm),)))
    length = "-" if p.length_mm is None else f"{p.length_mm:.2f}"
    name = f"{p.name} ({p.status})" if p.status in UNPROVED else p.name
    return p.id, p.stop, str(p.edges), counts, f"{p.width_mm:.2f}", length, name


def profile_text(p: Profile, alike: Sequence[Profile]) -> str:
    """Return one profile with all that its file tells, and the blades that a photo can't tell from it."""
    facts = [
        ("blade", f"{p.name} ({p.id}), {p.edges} cut edge{'s' * (p.edges - 1)}, stop: {p.stop}"),
        ("status", p.status + (f", on {p.date.isoformat()}" if p.date else "")),
        ("source", p.source),
        ("sizes", ", ".join(_sizes(p))),
        ("grooves", f"left {_grooves(p.grooves_left_mm)}; right {_grooves(p.grooves_right_mm)}"),
        ("cuts", ", ".join(_cut_facts(p))),
        ("handling", p.hold or ""),
        *(("", f"With {left} working keys left: {text}") for left, text in p.adding_keys),
        ("look-alikes", _some([other.id for other in alike]) or "none in this library"),
    ]
    lines = [line for label, text in facts if text for line in _fact(label, text)]
    return "\n".join(lines) + "\n\n" + _cut_tables(p) + "\n" + blanks_text(p)


def _some(ids: Sequence[str]) -> str:
    """Name some ids, and how many more there are."""
    more = f" and {len(ids) - SHOWN_LOOK_ALIKES} more" if len(ids) > SHOWN_LOOK_ALIKES else ""
    return ", ".join(ids[:SHOWN_LOOK_ALIKES]) + more


def _sizes(p: Profile) -> Iterator[str]:
    sizes = (("width", p.width_mm, p.width_sd_mm), ("length", p.length_mm, p.length_sd_mm))
    for name, value, sd in (*sizes, ("thickness", p.thickness_mm, p.thickness_sd_mm)):
        yield f"{name} {'not known' if value is None else _both(value, sd)}"


def _both(mm: float, sd_mm: float | None) -> str:
    """A length in mm and thousandths of an inch, with 95 % limits where its uncertainty is stated."""
    limits = "" if sd_mm is None else f" ±{2 * sd_mm:.2f}"
    return f"{mm:.3f}{limits} mm = {mm / MM_PER_INCH * 1000:.1f} thou"


def _grooves(grooves: Sequence[tuple[float, float]]) -> str:
    return ", ".join(f"{near:.2f}-{far:.2f} mm" for near, far in grooves) or "none told"


def _cut_facts(p: Profile) -> Iterator[str]:
    yield f"code read {ORDER_WORDS[p.order]}"
    if p.flat_mm is not None:
        yield f"flat {p.flat_mm:.2f} mm"
    if p.angle_deg is not None:
        yield f"angle {p.angle_deg:g}°"
    if p.macs is not None:
        yield f"neighbours differ by {p.macs} steps at most"
    if p.as_made_sd_mm is not None:
        yield f"roots as made scatter by {p.as_made_sd_mm:.3f} mm"


def _cut_tables(p: Profile) -> str:
    """Positions beside the depth table."""
    coded = zip(p.codes, p.roots_mm, strict=True)
    places = [(str(n), _both(mm, _entry(p.positions_sd_mm, n - 1))) for n, mm in enumerate(p.positions_mm, 1)]
    depths = [(code, _both(mm, _entry(p.roots_sd_mm, n))) for n, (code, mm) in enumerate(coded)]
    rows = max(len(places), len(depths))
    places += [("", "")] * (rows - len(places))
    depths += [("", "")] * (rows - len(depths))
    head = ("cut", f"from the {p.stop}", "code", "metal left at the root")
    return _table([head, *((*place, *depth) for place, depth in zip(places, depths, strict=True))])


def _entry(values: Sequence[float], index: int) -> float | None:
    return values[index] if values else None


def blanks_text(p: Profile) -> str:
    """Return the blanks made with one blade, and what tells them apart."""
    head = ("blank", "head", "colour", "electronics", "test blank")
    table = _table([head, *(_blank_row(blank) for blank in p.blanks)])
    notes = [line for note in _blank_notes(p.blanks) for line in paragraph("", note, indent=0)]
    return table + "\n".join(notes) + "\n"


def _blank_row(b: Blank) -> tuple[str, ...]:
    return b.id, b.head, b.head_colour or "-", ELECTRONICS[b.electronics], b.test_blank or "-"


def _blank_notes(blanks: Sequence[Blank]) -> Iterator[str]:
    """What a person must know to choose among blanks of one blade."""
    yield from (f"{b.id}: {b.note}." for b in blanks if b.note)
    if len(blanks) == 1:
        yield "The one blank known with this blade."
        return
    told = [
        f"{what}: {', '.join(values)}"
        for what, values in (
            ("head", sorted({b.head for b in blanks})),
            ("electronics", sorted({ELECTRONICS[b.electronics] for b in blanks})),
        )
        if len(values) > 1
    ]
    yield f"All {len(blanks)} share this blade. " + (
        f"They differ in {'; '.join(told)}." if told else "Heads and electronics are alike."
    )
    if any(b.electronics != "none" for b in blanks):
        yield ELECTRONICS_NOTE
    if any(b.head_colour for b in blanks):
        yield COLOURS_NOTE
    tests = sorted({b.test_blank for b in blanks if b.test_blank})
    if tests:
        yield f"Try the cuts first on the plain metal blank: {', '.join(tests)}."


def comparison_text(comparison: Comparison) -> str:
    """Return what decides, then what differs and by how much, and what is the same."""
    same = [f"{f.name} {f.values[0]}" for f in comparison.features if f.same]
    differ = [line for f in comparison.features if not f.same for line in _difference(comparison.profiles, f)]
    blocks = ([*_decisions(comparison)], differ, _fact("the same", ", ".join(same) or "nothing"))
    return "\n\n".join("\n".join(block) for block in blocks if block) + "\n"


def _difference(profiles: Sequence[Profile], feature: Feature) -> Iterator[str]:
    """What is to be known of a feature that differs, then each value on a line with the blades that have it."""
    gaps = feature.gaps_mm
    if feature.numbers and not gaps:
        said = "Not told of each."
    else:
        apart = "" if not gaps else f"{gaps[0]:.2f} mm{'' if len(gaps) == 1 else ' or more'} apart. "
        note = f" {feature.note[0].upper()}{feature.note[1:]}." if feature.note else ""
        said = f"{apart}{PHOTO_WORDS[feature.photo]}.{note}"
    yield from _fact(feature.name, said)
    having: dict[str, list[str]] = {}
    for profile, value in zip(profiles, feature.values, strict=True):
        having.setdefault(value, []).append(profile.id)
    rows = [(value, ", ".join(ids)) for value, ids in having.items()]
    yield from (" " * LABEL + line for line in _table(rows, WIDTH - LABEL).splitlines())


def _decisions(comparison: Comparison) -> Iterator[str]:
    """What a photo can't decide, and the one measurement that does."""
    yield from _fact("photo", _photo_decides(comparison))
    feature = comparison.measure
    if feature is None:
        depths = next(f for f in comparison.features if f.name == "depths")
        how = "Compare the blanks end-on, and try them in the lock."
        if not depths.same:
            how = "Measure the metal left at each cut of the key, the deepest first, and see which table has them all."
        yield from _fact("by hand", how)
        return
    shown = (
        f"{p.id} {number:.2f} mm"
        for p, number in zip(comparison.profiles, feature.numbers, strict=True)
        if number is not None
    )
    yield from _fact("by hand", f"{feature.by_hand} {'; '.join(shown)}.")


def _photo_decides(comparison: Comparison) -> str:
    """Which blades no photo tells apart for sure; of several that are all alike not every pair."""
    blades, alike = len(comparison.profiles), comparison.look_alike
    if not alike:
        return "A good photo of a key tells all of them apart."
    if len(alike) == blades * (blades - 1) / 2 > 1:
        return "Can't tell any two of them apart for sure."
    return f"Can't tell apart for sure: {'; '.join(f'{p} and {q}' for p, q in alike)}."


def check_text(checked: Sequence[CheckedFile]) -> str:
    """Return every fault and doubt of a folder, and how many there are."""
    lines = []
    for file in checked:
        lines += [line for fault in file.faults for line in _found("fault", str(fault))]
        lines += [line for doubt in file.doubts for line in _found("doubt", f"{file.file}: {doubt}.")]
    bad, doubtful = sum(bool(f.faults) for f in checked), sum(bool(f.doubts) for f in checked)
    files = "1 file" if len(checked) == 1 else f"{len(checked)} files"
    lines.append(f"{files}: {bad} can't be used, {doubtful} with doubtful numbers.")
    return "\n".join(lines) + "\n"


def _found(kind: str, text: str) -> list[str]:
    return paragraph(kind, text, indent=7)


def _fact(label: str, text: str) -> list[str]:
    return paragraph(label, text, indent=LABEL)


def _table(rows: Sequence[Sequence[str]], width: int = WIDTH) -> str:
    """Columns as wide as their widest entry, to the left; the last one, where words stand, wraps at ``width``."""
    cells = [[plain(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)][:-1]
    indent = sum(widths) + len(GAP) * len(widths)
    lines = []
    for *short, last in cells:
        first, *further = textwrap.wrap(last, max(LEAST_LAST, width - indent), break_on_hyphens=False) or [""]
        row = "".join(cell.ljust(size) + GAP for cell, size in zip(short, widths, strict=True))
        lines += [row + first, *(" " * indent + part for part in further)]
    return "".join(line.rstrip() + "\n" for line in lines)
