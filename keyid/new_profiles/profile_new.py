"""A new profile from measured values: its file, with status, date and uncertainties."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from keyid.length import MM_PER_INCH, Length

DIGITS = {"mm": 3, "in": 4}  # after the point: a micrometre, and a tenth of a thousandth of an inch
SD_DIGITS = {"mm": 3, "in": 5}  # so that a caliper's uncertainty never becomes none


@dataclass(frozen=True)
class NewProfile:
    """What was measured of a blade and its cutting system; lengths in mm, each with its uncertainty (0: not stated).

    ``options`` are the keys of [cuts] that are written as they are (order, angle, macs), ``blank`` those of the one
    blank.
    """

    id: str
    name: str
    unit: Literal["mm", "in"]
    source: str
    date: datetime.date
    edges: int
    stop: Literal["shoulder", "tip"]
    width: Length
    positions: tuple[Length, ...]
    codes: tuple[str, ...]
    roots: tuple[Length, ...]
    blank: dict[str, str]
    options: dict[str, Any]
    length: Length | None = None
    thickness: Length | None = None
    flat_mm: float | None = None
    grooves_left_mm: tuple[tuple[float, float], ...] = field(default=())
    grooves_right_mm: tuple[tuple[float, float], ...] = field(default=())
    tip_mm: tuple[tuple[float, float], ...] = field(default=())


def profile_toml(new: NewProfile) -> str:
    """Return the file of a new profile; `keyid.profiles.profile_file.parse_profile` says whether it keeps all rules."""
    blade: dict[str, Any] = {"edges": new.edges, "stop": new.stop}
    for name, value in (("length", new.length), ("width", new.width), ("thickness", new.thickness)):
        if value is not None:
            blade |= {name: _filed(new, value.mm), f"{name}_sd": _filed_sd(new, value)}
    lists = {"grooves_left": new.grooves_left_mm, "grooves_right": new.grooves_right_mm, "tip": new.tip_mm}
    for name, pairs in lists.items():
        if pairs:
            blade[name] = [[_filed(new, one), _filed(new, other)] for one, other in pairs]
    cuts: dict[str, Any] = {
        "positions": [_filed(new, position.mm) for position in new.positions],
    }
    if all(position.u_mm for position in new.positions):
        cuts["positions_sd"] = [_filed_sd(new, position) for position in new.positions]
    coded = list(zip(new.codes, new.roots, strict=True))
    cuts["roots"] = {code: _filed(new, root.mm) for code, root in coded}
    if all(root.u_mm for root in new.roots):
        cuts["roots_sd"] = {code: _filed_sd(new, root) for code, root in coded}
    cuts |= new.options
    if new.flat_mm is not None:
        cuts["flat"] = _filed(new, new.flat_mm)
    top = {
        "format": 1,
        "id": new.id,
        "name": new.name,
        "unit": new.unit,
        "status": "measured",
        "source": new.source,
        "date": new.date,
    }
    tables = (_lines(top), ["[blade]", *_lines(blade)], ["[cuts]", *_lines(cuts)], ["[[blanks]]", *_lines(new.blank)])
    return "\n".join("\n".join([*lines, ""]) for lines in tables)


def _lines(table: Mapping[str, Any]) -> list[str]:
    """One line of TOML a key, as in the files of the library: no writer of TOML keeps lists on their lines."""
    return [f"{key} = {_written(value)}" for key, value in table.items()]


def _written(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f'"{key}" = {_written(item)}' for key, item in value.items()) + " }"
    if isinstance(value, list):
        return f"[{', '.join(map(_written, value))}]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)  # TOML has JSON's escapes
    return str(value)


def id_of(name: str) -> str:
    """Return an id made of a name: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-") or "blade"


def weighted_mean(lengths: Sequence[Length]) -> Length:
    """Inverse-variance mean of measurements of one length; its uncertainty grows where they disagree.

    The growth is Birge's ratio (R. T. Birge, Physical Review 40 (1932) 207).
    """
    weights = [1 / length.u_mm**2 for length in lengths]
    mean = sum(w * length.mm for w, length in zip(weights, lengths, strict=True)) / sum(weights)
    chi2 = sum(w * (length.mm - mean) ** 2 for w, length in zip(weights, lengths, strict=True))
    birge = max(1.0, chi2 / max(len(lengths) - 1, 1))
    return Length(mean, (birge / sum(weights)) ** 0.5)


def _filed(new: NewProfile, mm: float) -> float:
    """A length in the file's unit, without digits that nobody measured."""
    return round(mm / _unit_mm(new), DIGITS[new.unit])


def _filed_sd(new: NewProfile, length: Length) -> float:
    digits = SD_DIGITS[new.unit]
    return max(round(length.u_mm / _unit_mm(new), digits), 10.0**-digits)


def _unit_mm(new: NewProfile) -> float:
    return MM_PER_INCH if new.unit == "in" else 1.0
