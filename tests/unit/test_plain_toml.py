"""The quick reading of plain TOML against Python's own tomllib: the same, or left to it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyid.profiles.plain_toml import parse_plain

SHIPPED = sorted((Path(__file__).parents[2] / "reference_profiles").rglob("*.toml"))

numbers = st.one_of(st.integers(-9999, 9999), st.decimals(-99, 99, places=3).map(lambda number: f"{number:f}"))
texts = st.text(st.characters(codec="utf-8", exclude_characters='"\\'), max_size=12).map(lambda text: f'"{text}"')
long_texts = st.text(st.characters(codec="utf-8", exclude_characters="\\"), max_size=12).map('"""{}"""'.format)
rows = st.lists(numbers, max_size=4).map(lambda row: f"[{', '.join(map(str, row))}]")
tables = st.lists(st.tuples(st.sampled_from("123a"), numbers), max_size=3).map(
    lambda pairs: "{ " + ", ".join(f'"{key}" = {number}' for key, number in pairs) + " }"
)
values = st.one_of(
    numbers, texts, long_texts, rows, st.lists(rows, max_size=2).map(lambda many: f"[{', '.join(many)}]"), tables
)
keys = st.sampled_from(["id", "width", "blade", "blanks", "a-b_1"])
lines = st.one_of(
    st.builds("{} = {}".format, keys, values),
    st.builds("{}={} # said".format, keys, values),
    st.builds("[{}]".format, keys),
    st.builds("[[{}]]".format, keys),
    st.sampled_from(
        ["", "  ", "# a remark", "\t# \x01", "a.b = 1", "x = 1_000", "x = nan", "x = 01", "x", "[a]]", "x = 'y'"]
    ),
)


@given(st.lists(lines, max_size=8), st.sampled_from(["\n", "\r\n", "\r"]))
def test_what_is_read_quickly_is_what_tomllib_reads(some: list[str], end: str) -> None:
    text = end.join(some)
    quick = parse_plain(text)
    if quick is not None:
        assert quick == tomllib.loads(text)  # it raises for what is no TOML: that must never be read


def test_most_shipped_files_are_plain() -> None:
    read = [(parse_plain(text), text) for text in (path.read_text(encoding="utf-8") for path in SHIPPED)]
    plain = [(quick, text) for quick, text in read if quick is not None]
    assert len(plain) > 0.9 * len(SHIPPED)
    assert all(quick == tomllib.loads(text) for quick, text in plain)


@pytest.mark.parametrize(
    "text",
    [
        'a = "x\\n"',
        "a = 1\na = 2",
        "[a]\n[a]",
        "a = [1]\n[[a]]",
        "[a]\n[[a]]",
        f"a = {'9' * 5000}",
        f"# {'x' * 900}",
        "a = 1\r",
    ],
)
def test_other_texts_are_left_to_tomllib(text: str) -> None:
    assert parse_plain(text) is None
