"""A profile file: TOML bytes, checked against the format, to a Profile.

Pydantic checks each value by itself; what several values must keep together (a root below the width, a cut on the
blade) is checked after it.  Importing pydantic takes a noticeable time, so only code that reads files imports this
module.
"""

from __future__ import annotations

import datetime
import difflib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from keyid.errors import ProfileError, counted
from keyid.length import MM_PER_INCH
from keyid.profiles.plain_toml import parse_plain
from keyid.profiles.profile import Blank, Profile
from keyid.profiles.profile_rules import Fault, broken_rules

MOST_BYTES = 256 * 1024  # a profile file has 1 to 3 KB; a larger one is something else
HARMLESS_CHARACTERS = 4096  # a key of 2,000 parts takes tomllib some 10 ms and 20 MB
MOST_CUTS = 60  # no key has a third as many; more would be a slip or an attack
MOST_CODES = 60
MOST_GROOVES = 20
MOST_POINTS = 100  # of a tip's outline
MOST_BLANKS = 500
LONGEST_TEXT = 2000  # characters
SHOWN_CHARACTERS = 40  # of a wrong value in a message
LARGEST_SHOWN = 10**15  # whole numbers from here on tell nothing by their digits

_PLAIN = r"^[^\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]*$"  # no control characters: they would garble a terminal
_ID = r"^[a-z0-9-]+$"
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]{1,40}")
# A key of dozens of parts joined by dots; reading it takes tomllib time and memory by the square of its parts.
_DEEP_KEY = re.compile(
    r"""(?<![A-Za-z0-9_-])KEY(?:[ \t]*+\.[ \t]*+KEY){30}""".replace(
        "KEY", r"""(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')"""
    )
)

_Text = Annotated[str, Field(pattern=_PLAIN, max_length=LONGEST_TEXT)]
_FilledText = Annotated[str, Field(pattern=_PLAIN, min_length=1, max_length=LONGEST_TEXT)]
_Id = Annotated[str, Field(pattern=_ID, max_length=80)]
_Code = Annotated[str, Field(pattern=r"^[A-Za-z0-9]+$", max_length=12)]
_Above0 = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_From0 = Annotated[float, Field(ge=0, allow_inf_nan=False)]
_Groove = Annotated[list[_From0], Field(min_length=2, max_length=2)]
_Point = Annotated[list[_From0], Field(min_length=2, max_length=2)]
_AddingKeys = tuple[Annotated[int, Field(ge=0, le=100)], _FilledText]

_SD = "{0}_sd (standard uncertainty of a {0} that was measured or is not in the source) is a number above 0"
_GROOVES = "grooves_{} is a list of [near, far], from the lower edge up, as in [[2.0, 3.2]]; may be left out"


class _Table(BaseModel):
    """A table of the file: no unknown keys, no conversions; each key's description says what would be right."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _BladeTable(_Table):
    edges: int = Field(
        ge=1, le=2, description="edges is 1 (cuts on one edge) or 2 (the same bitting on both), without quotes"
    )
    stop: Literal["shoulder", "tip"] = Field(description='stop is "shoulder" or "tip"')
    length: _Above0 | None = Field(
        default=None, description="length (stop to tip; for a tip stop tip to bow) is a number above 0; may be left out"
    )
    length_sd: _Above0 | None = Field(default=None, description=_SD.format("length"))
    width: _Above0 = Field(description="width (across the uncut blade) is a number above 0")
    width_sd: _Above0 | None = Field(default=None, description=_SD.format("width"))
    thickness: _Above0 | None = Field(default=None, description="thickness is a number above 0; may be left out")
    thickness_sd: _Above0 | None = Field(default=None, description=_SD.format("thickness"))
    grooves_left: list[_Groove] = Field(
        default_factory=list,
        max_length=MOST_GROOVES,
        description=_GROOVES.format("left"),
    )
    grooves_right: list[_Groove] = Field(
        default_factory=list,
        max_length=MOST_GROOVES,
        description=_GROOVES.format("right"),
    )
    tip: list[_Point] = Field(
        default_factory=list,
        max_length=MOST_POINTS,
        description="tip is a list of [x, y]: the uncut tip's outline from the cut edge to the other, x from the stop, "
        "y from the lower edge; may be left out",
    )


class _CutsTable(_Table):
    positions: list[_Above0] = Field(
        min_length=1,
        max_length=MOST_CUTS,
        description=f"positions is a list of 1 to {MOST_CUTS} numbers above 0, from the stop to each root's centre, "
        "ascending",
    )
    roots: dict[_Code, _Above0] = Field(
        min_length=1,
        max_length=MOST_CODES,
        description='roots gives each depth code (letters and digits) its root height above 0, as in { "1" = 8.1 }',
    )
    positions_sd: list[_Above0] = Field(
        default_factory=list,
        max_length=MOST_CUTS,
        description="positions_sd lists the standard uncertainty of each position, a number above 0; may be left out",
    )
    roots_sd: dict[_Code, _Above0] = Field(
        default_factory=dict,
        max_length=MOST_CODES,
        description="roots_sd gives each depth code of roots its standard uncertainty above 0; may be left out",
    )
    order: Literal["bow-to-tip", "tip-to-bow"] = Field(description='order is "bow-to-tip" or "tip-to-bow"')
    flat: _From0 | None = Field(
        default=None, description="flat (length of the root) is a number, 0 or above; may be left out"
    )
    angle: Annotated[float, Field(gt=0, lt=180)] | None = Field(
        default=None,
        description="angle (included angle of a cut, in degrees) is a number between 0 and 180; may be left out",
    )
    macs: Annotated[int, Field(ge=1, le=MOST_CODES)] | None = Field(
        default=None, description="macs is a whole number of depth steps, 1 or more; may be left out"
    )
    as_made_sd: _Above0 | None = Field(
        default=None,
        description="as_made_sd (standard deviation of a root as made) is a number above 0; may be left out",
    )
    counts: list[Annotated[int, Field(ge=1, le=MOST_CUTS)]] = Field(
        default_factory=list,
        max_length=MOST_CUTS,
        description="counts lists the numbers of cuts that keys have, ascending, as in [5, 6]; may be left out",
    )


class _BlankTable(_Table):
    id: _Id = Field(description="a blank's id is small letters, digits and hyphens, unique in the library")
    head: Literal["metal", "plastic"] = Field(description='head is "metal" or "plastic"')
    head_colour: _Text | None = Field(default=None, description="head_colour is one line of text; may be left out")
    electronics: Literal["none", "fixed-code", "encrypted", "rolling-code", "unknown"] = Field(
        description='electronics is "none", "fixed-code", "encrypted", "rolling-code" or "unknown"'
    )
    test_blank: _Id | None = Field(
        default=None, description="test_blank is the id of a plain metal blank; may be left out"
    )
    note: _Text = Field(default="", description="note is one line of text; may be left out")


class _HandlingTable(_Table):
    hold: _FilledText | None = Field(
        default=None,
        description="hold is one line of text (how to place and hold the key for cutting); may be left out",
    )
    adding_keys: list[Annotated[_AddingKeys, Field(strict=False)]] = Field(
        default_factory=list,
        max_length=100,
        description='adding_keys lists [working keys left, text], as in [[0, "..."], [1, "..."]]; may be left out',
    )


class _ProfileTable(_Table):
    format: int = Field(ge=1, le=1, description="format is 1, without quotes")
    id: _Id = Field(description="id is small letters, digits and hyphens, unique in the library")
    name: _FilledText = Field(description="name is what a person calls the blade, one line of text")
    unit: Literal["mm", "in"] = Field(description='unit is "mm" or "in", the unit of every length in the file')
    status: Literal["published", "measured", "from-memory", "invented"] = Field(
        description='status is "published", "measured", "from-memory" or "invented"'
    )
    source: _FilledText = Field(description="source names where the numbers come from, in one line of text")
    date: datetime.date | None = Field(
        default=None, description="date (when it was measured) is a date without quotes, as in 2026-02-28"
    )
    blade: _BladeTable = Field(description="[blade] is a table")
    cuts: _CutsTable = Field(description="[cuts] is a table")
    blanks: list[_BlankTable] = Field(
        min_length=1,
        max_length=MOST_BLANKS,
        description="each blank is a table headed [[blanks]], at least one",
    )
    handling: _HandlingTable | None = Field(default=None, description="[handling] is a table; may be left out")


_TABLES: Mapping[str, type[_Table]] = {
    "blade": _BladeTable,
    "cuts": _CutsTable,
    "blanks": _BlankTable,
    "handling": _HandlingTable,
}


def parse_profile(data: bytes, file: str) -> Profile:
    """Read one profile file.

    Parameters
    ----------
    data : bytes
        The file's content: TOML in UTF-8.
    file : str
        Its name, for error messages.

    Returns
    -------
    Profile
        All lengths in mm.

    Raises
    ------
    ProfileError
        When the file breaks the format; names the file, the line or key, what is wrong and what would be right.
    """
    read = examine_profile(data, file)
    if isinstance(read, Profile):
        return read
    raise counted(read)


def examine_profile(data: bytes, file: str) -> Profile | tuple[ProfileError, ...]:
    """Read one profile file as `parse_profile` does, but return all its faults instead of raising the first.

    Faults of single values come first; only when there are none can it be said which rules between them are broken.
    """
    try:
        checked = _ProfileTable.model_validate(_parse_toml(data, file))
    except ProfileError as error:
        return (error,)
    except ValidationError as error:
        return tuple(_error(file, fault) for fault in _faults(error))
    profile = _convert(checked)
    faults = (*_unmatched(checked.cuts), *broken_rules(profile))
    return tuple(_error(file, fault) for fault in faults) or profile


def _unmatched(cuts: _CutsTable) -> Iterator[Fault]:
    """Uncertainties that belong to no position or code, or are missing for some."""
    if cuts.positions_sd and len(cuts.positions_sd) != len(cuts.positions):
        wrong = f"has {len(cuts.positions_sd)} entries for {len(cuts.positions)} positions"
        yield Fault("cuts.positions_sd", wrong, "Give each position its standard uncertainty, or leave them all out")
    for code in sorted(cuts.roots_sd.keys() ^ cuts.roots.keys()) if cuts.roots_sd else ():
        wrong = "belongs to no depth code" if code in cuts.roots_sd else "is missing"
        yield Fault(f"cuts.roots_sd.{code}", wrong, "Give each code of roots its standard uncertainty, or none")


def _error(file: str, fault: Fault) -> ProfileError:
    return ProfileError(f"{file}: {fault.where} {fault.wrong}.", f"{fault.right}.")


def _parse_toml(data: bytes, file: str) -> dict[str, Any]:
    """The file's tables; ProfileError for what is no TOML."""
    if len(data) > MOST_BYTES:
        wrong = f"{file}: The file is larger than {MOST_BYTES // 1024} KB."
        raise ProfileError(wrong, "Is it a profile file? One file holds one blade.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise ProfileError(f"{file}: line {line} is not UTF-8 text.", "Save the file as UTF-8 text.") from None
    if len(text) > HARMLESS_CHARACTERS and (found := _DEEP_KEY.search(text)):
        line = text[: found.start()].count("\n") + 1
        raise ProfileError(
            f"{file}: line {line} has a key of too many parts.", "No key of this format has more than three parts."
        )
    plain = parse_plain(text)
    if plain is not None:
        return plain
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ProfileError(f"{file}: brackets stand too deep in brackets.", "Close each list on its line.") from None
    except ValueError as error:  # TOMLDecodeError, and Python's own refusal of numbers with thousands of digits
        raise _syntax_error(file, data, str(error)) from None


def _syntax_error(file: str, data: bytes, said: str) -> ProfileError:
    """Word tomllib's message, which ends in "(at line 3, column 5)" or "(at end of document)"."""
    found = re.search(r" \(at (?:line (\d+), column (\d+)|end of document)\)$", said)
    line = data.count(b"\n") + 1
    place, wrong = f"within lines 1 to {line}", "A number has far too many digits"
    if found:
        wrong = said[: found.start()]
        place = f"line {found[1]}, column {found[2]}" if found[1] else f"line {line}, the end of the file"
    advice = 'Write each line as TOML has it: key = value, text in "quotes", lists in [brackets], no key twice.'
    return ProfileError(f"{file}: {place}: {wrong}.", advice)


def _faults(error: ValidationError) -> Iterator[Fault]:
    """Every fault of a file's values; a misspelt key first: it is why another key is missing."""
    details = error.errors(include_url=False)
    for detail in sorted(details, key=lambda detail: detail["type"] != "extra_forbidden"):
        path = [part for part in detail["loc"] if part != "[key]"]
        unknown = detail["type"] == "extra_forbidden"
        yield Fault(_where(path), _wrong(detail), _allowed_keys(path) if unknown else _right(path))


def _where(path: list[int | str]) -> str:
    """Key path of a place in the file, entries of lists counted from 1: ``blanks #2.head``."""
    return "".join(f" #{part + 1}" if isinstance(part, int) else f".{_key(part)}" for part in path).lstrip(".")


def _key(name: str) -> str:
    """A key as TOML writes it: quoted when it has other than letters, digits, hyphens and underscores."""
    return name if _BARE_KEY.fullmatch(name) else _short(name)


def _wrong(detail: ErrorDetails) -> str:
    """What is wrong with one value, to follow its key path."""
    kind = detail["type"]
    if kind == "missing":
        return "is missing"
    if kind == "extra_forbidden":
        return "is not a key of this format"
    if kind == "too_long":
        return f"has more than {detail['ctx']['max_length']} entries"
    if kind == "too_short":
        return f"has fewer than {detail['ctx']['min_length']} entries"
    if kind == "string_too_long":
        return f"is longer than {detail['ctx']['max_length']} characters"
    if "[key]" in detail["loc"]:
        return "is not a depth code"
    return f"is {_short(detail['input'])}"


def _tables_on(path: list[int | str]) -> list[type[_Table]]:
    """The tables from the file's top that a key path leads through."""
    tables: list[type[_Table]] = [_ProfileTable]
    for part in path:
        if isinstance(part, str) and part in _TABLES:
            tables.append(_TABLES[part])
    return tables


def _right(path: list[int | str]) -> str:
    """The description of the key that a path leads to."""
    table = _tables_on(path[:-1])[-1] if len(path) > 1 else _ProfileTable
    names = [part for part in path if isinstance(part, str) and part in table.model_fields]
    field = table.model_fields.get(names[-1]) if names else None
    return str(field.description) if field else _allowed_keys(path)


def _allowed_keys(path: list[int | str]) -> str:
    """Which keys may stand where an unknown one stands, and the one perhaps meant."""
    names = list(_tables_on(path[:-1])[-1].model_fields)
    meant = difflib.get_close_matches(str(path[-1])[:80], names, n=1)
    return (f"Perhaps {meant[0]} is meant; a" if meant else "A") + f"llowed here are {', '.join(names)}"


def _short(value: object) -> str:
    """A value from the file in few characters, fit for a terminal."""
    if isinstance(value, str):
        text = json.dumps(value[:SHOWN_CHARACTERS], ensure_ascii=not value.isprintable())
        return text + "..." if len(value) > SHOWN_CHARACTERS else text
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value) if abs(value) < LARGEST_SHOWN else "a number far too large"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, (list, dict)):
        return "a list" if isinstance(value, list) else "a table"
    return f"the {type(value).__name__} {value}"


def _convert(checked: _ProfileTable) -> Profile:
    """The checked file as a Profile, lengths in mm, codes from the highest root down."""
    mm = MM_PER_INCH if checked.unit == "in" else 1.0
    blade, cuts, handling = checked.blade, checked.cuts, checked.handling
    by_height = sorted(cuts.roots.items(), key=lambda item: -item[1])
    return Profile(
        id=checked.id,
        name=checked.name,
        unit=checked.unit,
        status=checked.status,
        source=checked.source,
        edges=2 if blade.edges == 2 else 1,
        stop=blade.stop,
        length_mm=_scaled(blade.length, mm),
        width_mm=blade.width * mm,
        thickness_mm=_scaled(blade.thickness, mm),
        grooves_left_mm=_pairs_mm(blade.grooves_left, mm),
        grooves_right_mm=_pairs_mm(blade.grooves_right, mm),
        positions_mm=tuple(position * mm for position in cuts.positions),
        codes=tuple(code for code, _ in by_height),
        roots_mm=tuple(root * mm for _, root in by_height),
        order=cuts.order,
        flat_mm=_scaled(cuts.flat, mm),
        angle_deg=cuts.angle,
        macs=cuts.macs,
        as_made_sd_mm=_scaled(cuts.as_made_sd, mm),
        blanks=tuple(map(_blank, checked.blanks)),
        width_sd_mm=_scaled(blade.width_sd, mm),
        counts=tuple(cuts.counts),
        hold=handling.hold if handling else None,
        adding_keys=tuple(handling.adding_keys) if handling else (),
        date=checked.date,
        length_sd_mm=_scaled(blade.length_sd, mm),
        thickness_sd_mm=_scaled(blade.thickness_sd, mm),
        positions_sd_mm=tuple(sd * mm for sd in cuts.positions_sd),
        tip_mm=_pairs_mm(blade.tip, mm),
        roots_sd_mm=tuple(cuts.roots_sd[code] * mm for code, _ in by_height if code in cuts.roots_sd),
    )


def _scaled(value: float | None, mm: float) -> float | None:
    return None if value is None else value * mm


def _pairs_mm(pairs: list[list[float]], mm: float) -> tuple[tuple[float, float], ...]:
    return tuple((one * mm, other * mm) for one, other in pairs)


def _blank(blank: _BlankTable) -> Blank:
    return Blank(blank.id, blank.head, blank.head_colour, blank.electronics, blank.test_blank, blank.note)
