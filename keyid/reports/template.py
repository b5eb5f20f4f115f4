"""The 1:1 template: the key's outline and a bank card's at true size, to lay the real ones on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.identify import Examination
from keyid.profiles.profile import Profile
from keyid.rankings.cutmodel import ideal_edge, shape_of
from keyid.reports.drawing import INK, Drawing, Line, Place, Words

Array = NDArray[np.float64]

PAGE_MM = (186.0, 165.0)
CARD_MM, CARD_CORNER_MM = (85.60, 53.98), 3.18  # ID-1: ISO/IEC 7810:2019, 5.1
RULER_MM = 80.0
KEY_TOP_MM = 100.0  # of the blade's upper edge on the page
RIGHT_MM = 12.0  # left free beyond the tip
CORNER_STEPS = 8  # chords of a rounded corner: within 0.02 mm of the arc
MEASURED, NOMINAL, ROUGH = INK, "#b0004e", "#8b949e"
LETTERS_MM = 3.0


def draw_template(examination: Examination, profile: Profile | None) -> Drawing:
    """Draw card and key at true size; with a profile also the edge that the bitting's code would leave."""
    shapes: list[Line | Words] = [*_card(), *_ruler(), *_key(examination), *_words(examination.reading.cautions)]
    if profile is not None:
        shapes += _nominal(examination, profile)
    return Drawing(*PAGE_MM, tuple(shapes), "Template at true size: a bank card's outline above, the key's below")


def _card() -> Iterator[Line | Words]:
    """The outline of an ID-1 card, upper left at (0, 6) mm of the page."""
    width, height = CARD_MM
    yield Line(tuple(_rounded(1.0, 6.0, width, height, CARD_CORNER_MM)), INK, 0.15, closed=True)
    yield Words(1.0 + width / 2, 6.0 + height / 2 - 3.0, "Lay a bank card here.", LETTERS_MM, "middle")
    yield Words(1.0 + width / 2, 6.0 + height / 2 + 2.0, "It must fill the line: else the print", LETTERS_MM, "middle")
    yield Words(1.0 + width / 2, 6.0 + height / 2 + 7.0, "is not at true size (print at 100 %).", LETTERS_MM, "middle")


def _rounded(left: float, top: float, width: float, height: float, radius: float) -> Iterator[Place]:
    """Corners of a rounded rectangle, clockwise from the upper right."""
    centres = ((left + width, top), (left + width, top + height), (left, top + height), (left, top))
    inward = ((-1, 1), (-1, -1), (1, -1), (1, 1))
    for number, ((x, y), (right, down)) in enumerate(zip(centres, inward, strict=True)):
        for step in range(CORNER_STEPS + 1):
            angle = np.pi / 2 * (number - 1 + step / CORNER_STEPS)
            yield x + right * radius + radius * float(np.cos(angle)), y + down * radius + radius * float(np.sin(angle))


def _ruler() -> Iterator[Line | Words]:
    """A ruler of 80 mm beside the card."""
    left, base = 96.0, 30.0
    yield Line(((left, base), (left + RULER_MM, base)), INK, 0.2)
    for mm in range(int(RULER_MM) + 1):
        high = 5.0 if mm % 10 == 0 else 3.5 if mm % 5 == 0 else 2.0
        yield Line(((left + mm, base), (left + mm, base - high)), INK, 0.1)
        if mm % 10 == 0:
            yield Words(left + mm, base + 3.0, str(mm), 2.5, "middle")
    yield Words(left, base + 8.0, f"{RULER_MM:.0f} mm from the first line to the last", LETTERS_MM)


def _key(examination: Examination) -> Iterator[Line | Words]:
    """The blade where it was seen, and the key's whole outline, which is rough."""
    blade = examination.blade
    page = _Page(blade)
    rough = examination.frame.from_px(examination.silhouette.outline_px)
    yield Line(page.place(rough), ROUGH, 0.15, dash_mm=1.0, closed=True)
    for trace, height in ((blade.a, blade.a.height_mm), (blade.b, blade.width.mm - blade.b.height_mm)):
        for stretch in _stretches(trace, height):
            yield Line(page.place(stretch), MEASURED, 0.2)
    if blade.stop != "unknown":
        ends = np.array([[0.0, -4.0], [0.0, blade.width.mm + 4.0]])
        yield Line(page.place(ends), MEASURED, 0.2, dash_mm=0.5)


@dataclass(frozen=True)
class _Page:
    """Where the key lies on the page: tip to the right, edge a up."""

    blade: Blade

    def place(self, points_mm: Array) -> tuple[Place, ...]:
        """Places on the page of stations and heights (n, 2)."""
        length = float(self.blade.a.x_mm[-1]) if self.blade.length is None else self.blade.length.mm
        tip = PAGE_MM[0] - RIGHT_MM
        x, height = points_mm[:, 0], points_mm[:, 1]
        along = tip - x if self.blade.stop == "tip" else tip - length + x
        down = KEY_TOP_MM + self.blade.width.mm - height
        return tuple((float(u), float(v)) for u, v in zip(along, down, strict=True))


def _stretches(trace: EdgeTrace, height_mm: Array) -> Iterator[Array]:
    """Parts of an edge between gaps."""
    seen = np.isfinite(height_mm)
    points = np.column_stack([trace.x_mm, height_mm])
    starts = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(int)))
    return (points[first:last] for first, last in starts.reshape(-1, 2) if last - first > 1)


def _nominal(examination: Examination, profile: Profile) -> Iterator[Line]:
    """The edge that the code would leave on a new key."""
    bitting, blade = examination.reading.bitting, examination.blade
    heights = dict(zip(profile.codes, profile.roots_mm, strict=True))
    codes = () if bitting is None else bitting.cuts if profile.stop_first else bitting.cuts[::-1]
    cuts = [
        (position, heights[cut.code])
        for position, cut in zip(profile.positions_mm, codes, strict=False)
        if cut.code in heights
    ]
    if not cuts:
        return
    x = np.arange(0.0, float(blade.a.x_mm[-1]), 0.05)
    positions, roots = (np.array(values) for values in zip(*cuts, strict=True))
    height, _ = ideal_edge(x, positions, roots, shape_of(profile), profile.width_mm)
    for edge in (height, blade.width.mm - height)[: blade.edges or 1]:
        yield Line(_Page(blade).place(np.column_stack([x, edge])), NOMINAL, 0.15, dash_mm=0.8)


def _words(cautions: tuple[str, ...]) -> Iterator[Words]:
    yield Words(0.0, 2.0, "True size. Print at 100 %, without fitting to the page.", LETTERS_MM + 0.5)
    said = "Lay the key on its outline, stop on the dotted line; turn it over if its cuts point the other way."
    yield Words(0.0, 70.0, said, LETTERS_MM)
    yield Words(
        0.0,
        75.0,
        "Black: blade as measured. Red dashes: edge that the code would give. Grey: rough outline.",
        LETTERS_MM,
    )
    for number, caution in enumerate(cautions):
        yield Words(0.0, PAGE_MM[1] + 4.5 * (number - len(cautions)), caution, LETTERS_MM)
