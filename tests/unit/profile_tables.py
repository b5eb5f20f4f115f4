"""Tables of valid profile files, drawn at random, and the TOML text of a table.

The writer is ours and small: it must not share code with the reader under test.
"""

from __future__ import annotations

import json
import string
from typing import Any

from hypothesis import strategies as st

Table = dict[str, Any]

EXAMPLE: Table = {
    "format": 1,
    "id": "quay-4",
    "name": "Quay four-cut",
    "unit": "mm",
    "status": "invented",
    "source": "invented for this test",
    "blade": {
        "edges": 1,
        "stop": "shoulder",
        "length": 24.0,
        "width": 8.5,
        "width_sd": 0.1,
        "thickness": 2.0,
        "grooves_left": [[2.0, 3.2], [5.0, 8.5]],
        "grooves_right": [[0.0, 1.5]],
    },
    "cuts": {
        "positions": [5.0, 8.8, 12.6, 16.4],
        "roots": {"2": 7.6, "1": 8.1, "B": 7.1},
        "order": "bow-to-tip",
        "flat": 1.2,
        "angle": 90.0,
        "macs": 2,
        "as_made_sd": 0.02,
        "counts": [3, 4],
    },
    "blanks": [
        {"id": "quay-4-plain", "head": "metal", "electronics": "none"},
        {
            "id": "quay-4-chip",
            "head": "plastic",
            "head_colour": "black",
            "electronics": "encrypted",
            "test_blank": "quay-4-plain",
            "note": "for vans",
        },
    ],
    "handling": {"hold": "cut edge up", "adding_keys": [[0, "a dealer"], [2, "two working keys"]]},
}


def to_toml(table: Table) -> str:
    """Write the table of a profile file as TOML, inner tables inline."""
    return "\n".join(f"{_key(key)} = {_value(value)}" for key, value in table.items()) + "\n"


def _key(key: str) -> str:
    return json.dumps(key)


def _value(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        return json.dumps(value).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return str(value).lower()
    return repr(value)


ids = st.text(string.ascii_lowercase + string.digits + "-", min_size=1, max_size=20)
words = st.text(st.characters(exclude_categories=("C", "Zl", "Zp"), max_codepoint=0xFFFF), min_size=1, max_size=30)


def _hundredths(least: int, most: int) -> st.SearchStrategy[float]:
    return st.integers(least, most).map(lambda number: number / 100)


@st.composite
def _grooves(draw: st.DrawFn, width: float) -> list[list[float]]:
    edges = draw(st.lists(st.integers(0, round(width * 100)), unique=True, max_size=8))
    ascending = [edge / 100 for edge in sorted(edges[: len(edges) // 2 * 2])]
    return [list(pair) for pair in zip(ascending[::2], ascending[1::2], strict=True)]


@st.composite
def _blade(draw: st.DrawFn) -> Table:
    width = draw(_hundredths(400, 1200))
    blade: Table = {"edges": draw(st.sampled_from([1, 2])), "stop": draw(st.sampled_from(["shoulder", "tip"]))}
    options = {
        "length": _hundredths(6100, 9000),
        "width_sd": _hundredths(1, 50),
        "thickness": _hundredths(120, 400),
        "grooves_left": _grooves(width),
        "grooves_right": _grooves(width),
    }
    return blade | {"width": width} | draw(st.fixed_dictionaries({}, optional=options))


@st.composite
def _cuts(draw: st.DrawFn, width: float) -> Table:
    positions = sorted(draw(st.lists(_hundredths(1, 6000), min_size=1, max_size=20, unique=True)))
    roots = draw(st.lists(_hundredths(1, round(width * 100)), min_size=1, max_size=12, unique=True))
    codes = st.text(string.ascii_letters + string.digits, min_size=1, max_size=3)
    names = draw(st.lists(codes, min_size=len(roots), max_size=len(roots), unique=True))
    options = {
        "flat": _hundredths(0, 200),
        "angle": st.floats(1, 179),
        "macs": st.integers(1, 12),
        "as_made_sd": st.floats(0.001, 0.1),
        "counts": st.sets(st.integers(1, len(positions))).map(sorted),
    }
    order = draw(st.sampled_from(["bow-to-tip", "tip-to-bow"]))
    cuts = {"positions": positions, "roots": dict(zip(names, roots, strict=True)), "order": order}
    return cuts | draw(st.fixed_dictionaries({}, optional=options))


def _blanks() -> st.SearchStrategy[list[Table]]:
    needed = {
        "id": ids,
        "head": st.sampled_from(["metal", "plastic"]),
        "electronics": st.sampled_from(["none", "fixed-code", "encrypted", "rolling-code", "unknown"]),
    }
    blank = st.fixed_dictionaries(needed, optional={"head_colour": words, "test_blank": ids, "note": words})
    return st.lists(blank, min_size=1, max_size=4, unique_by=lambda table: table["id"])


def _handling() -> st.SearchStrategy[Table]:
    adding = st.dictionaries(st.integers(0, 9), words, max_size=3).map(
        lambda found: [list(i) for i in sorted(found.items())]
    )
    return st.fixed_dictionaries({}, optional={"hold": words, "adding_keys": adding})


@st.composite
def profile_tables(draw: st.DrawFn) -> Table:
    """A valid profile file in mm."""
    blade = draw(_blade())
    table = {
        "format": 1,
        "id": draw(ids),
        "name": draw(words),
        "unit": "mm",
        "status": draw(st.sampled_from(["published", "measured", "from-memory", "invented"])),
        "source": draw(words),
        "blade": blade,
        "cuts": draw(_cuts(blade["width"])),
        "blanks": draw(_blanks()),
    }
    return table | draw(st.fixed_dictionaries({}, optional={"handling": _handling()}))
