"""The uncertainty budget as a table: what each source contributes, after JCGM 100:2008, 7.2.7."""

from __future__ import annotations

from keyid.blades.blade import Blade, BudgetLine

COLUMNS = ("length", "width", "roots", "positions", "per 10 mm")
WORDS_WIDTH, COLUMN_WIDTH = 20, 11
STRETCH_OVER_MM = 10.0


def budget_text(blade: Blade) -> str:
    """Return one line a source and their root sum of squares: one standard uncertainty each, in mm."""
    rows: dict[str, tuple[float, ...]] = {}
    for line in blade.budget:
        rows[line.source] = _added(rows.get(line.source, (0.0,) * len(COLUMNS)), _contributions(line))
    total = (0.0,) * len(COLUMNS)
    for values in rows.values():
        total = _added(total, values)
    head = "one u, mm".ljust(WORDS_WIDTH) + "".join(name.rjust(COLUMN_WIDTH) for name in COLUMNS)
    lines = [head, *(_row(source, values) for source, values in rows.items()), _row("together", total)]
    if blade.length is None:
        lines.append("The head hides where this blade ends: its length is not measured.")
    return "\n".join(lines)


def _contributions(line: BudgetLine) -> tuple[float, ...]:
    stretch = line.stretch * STRETCH_OVER_MM
    return (line.length_mm, line.width_mm, line.height_mm, line.station_mm, stretch)


def _added(one: tuple[float, ...], other: tuple[float, ...]) -> tuple[float, ...]:
    """Root sum of squares, column by column."""
    return tuple(float((a * a + b * b) ** 0.5) for a, b in zip(one, other, strict=True))


def _row(words: str, values: tuple[float, ...]) -> str:
    return words.ljust(WORDS_WIDTH) + "".join(f"{abs(value):.3f}".rjust(COLUMN_WIDTH) for value in values)
