"""The plain lines that nearly all profile files consist of, read quickly; whatever else TOML has is left to tomllib.

tomllib goes through a file character by character, which takes two thirds of the time of loading thousands of profiles.
Most lines are of few kinds, and many stand in file after file: each is read once.
"""

from __future__ import annotations

import json
import re
from functools import lru_cache
from typing import Any, Literal

_NUMBER = r"-?(?:0|[1-9][0-9]{0,15})(?:\.[0-9]{1,18})?"
_PLAIN = r'[^"\\\x00-\x1f\x7f]'
_TEXT = rf'"{_PLAIN}*"'
_LONG_TEXT = rf'"""(?!"){_PLAIN}*(?:"{{1,2}}{_PLAIN}+)*"""'  # on one line
_KEY = r"[A-Za-z0-9_-]+"
_ROW = rf"\[\s*(?:{_NUMBER}(?:\s*,\s*{_NUMBER})*)?\s*\]"
_PAIR = rf'(?:{_KEY}|"{_KEY}")\s*=\s*{_NUMBER}'
_VALUE = (
    rf"{_LONG_TEXT}|{_TEXT}|{_NUMBER}|{_ROW}|\[\s*{_ROW}(?:\s*,\s*{_ROW})*\s*\]|\{{\s*{_PAIR}(?:\s*,\s*{_PAIR})*\s*\}}"
)
_LINE = re.compile(
    rf"[ \t]*(?:(?P<nothing>(?:#[^\x00-\x08\x0a-\x1f\x7f]*)?)|\[(?P<table>{_KEY})\]|\[\[(?P<entry>{_KEY})\]\]"
    rf"|(?P<key>{_KEY})[ \t]*=[ \t]*(?P<value>{_VALUE}))[ \t]*\r?".replace(r"\s", r"[ \t]")
)
_PAIRS = re.compile(rf'"?({_KEY})"?[ \t]*=[ \t]*({_NUMBER})')
LONGEST = 800  # characters of a line that is worth remembering
REMEMBERED = 4096  # lines

_Line = tuple[Literal["nothing", "table", "entry", "key", "other"], str, Any]


def parse_plain(text: str) -> dict[str, Any] | None:
    """Return the tables of a TOML text that has plain lines only; None for any other, right or wrong.

    Parameters
    ----------
    text : str

    Returns
    -------
    dict or None
        The same as ``tomllib.loads`` returns; lists in it may be shared and are not to be changed.
    """
    lines = text.split("\n")
    if lines[-1].endswith("\r") or max(map(len, lines)) > LONGEST:
        return None
    top: dict[str, Any] = {}
    table = top
    for line in lines:
        kind, name, value = _read_line(line)
        if kind == "nothing":
            continue
        if kind == "other":
            return None
        if kind == "key":
            if name in table:
                return None
            table[name] = value
            continue
        table = {}
        if kind == "table":
            if name in top:
                return None
            top[name] = table
        elif not isinstance(entries := top.setdefault(name, _Entries()), _Entries):
            return None
        else:
            entries.append(table)
    return top


class _Entries(list[dict[str, Any]]):
    """An array of tables, as against a list that a key was given: no table can be added to that."""


@lru_cache(REMEMBERED)
def _read_line(line: str) -> _Line:
    found = _LINE.fullmatch(line)
    if found is None:
        return "other", "", None
    if found["key"] is not None:
        return _key_and_value(found["key"], found["value"])
    for kind in ("table", "entry"):
        if found[kind] is not None:
            return ("table" if kind == "table" else "entry"), found[kind], None
    return "nothing", "", None


def _key_and_value(key: str, value: str) -> _Line:
    if value.startswith('"""'):
        return "key", key, value[3:-3]
    if not value.startswith("{"):
        return "key", key, json.loads(value)
    pairs = _PAIRS.findall(value)
    table = {name: json.loads(number) for name, number in pairs}
    return ("key", key, table) if len(table) == len(pairs) else ("other", "", None)
