"""``keyid confirm``: what to measure by hand, and what the caliper's values change."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from keyid.commands.parts import EXISTING_FILE, FILE_TO_WRITE, echo, in_folder, open_library, skipping_bad, told_plainly
from keyid.readings.caliper import typed_mm

if TYPE_CHECKING:
    from keyid.readings.confirm import HandValue

    Json = dict[str, Any]


FORM = "keyid-reading"
MADE_BY = "give the file that keyid read PHOTO --json printed"
AGAIN = "read the photo again with keyid read PHOTO --json"
SHOWN = 3  # hand measurements: the further ones tell little that these don't


class CaliperValue(click.ParamType[float]):
    """A caliper's value: mm, or inches where ``in`` follows (``0.331in``); a comma will do as the decimal point."""

    name = "LENGTH"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Turn what was typed to mm."""
        if isinstance(value, float):
            return value
        try:
            return typed_mm(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class GrooveValue(click.ParamType[tuple[str, float]]):
    """Face and wall of the lowest groove, and its distance from the lower edge: ``right-far=5.96``."""

    name = "FACE-WALL=LENGTH"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, float]:
        """Turn what was typed to the place and mm."""
        if isinstance(value, tuple):
            return value
        place, _, length = str(value).partition("=")
        if place not in ("left-near", "left-far", "right-near", "right-far"):
            self.fail(f"{value!r} is not a groove's wall and a length, as in left-near=1.28.", param, ctx)
        return place, CaliperValue().convert(length, param, ctx)


class RootValue(click.ParamType[tuple[int, float]]):
    """A cut's number, as the bitting is read, and the metal left there: ``3=6.62``."""

    name = "CUT=LENGTH"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, float]:
        """Turn what was typed to the number and mm."""
        if isinstance(value, tuple):
            return value
        number, equals, length = str(value).partition("=")
        if not equals or not number.strip().isdecimal():
            self.fail(f"{value!r} is not a cut and a length, as in 3=6.62 or 3=0.261in.", param, ctx)
        return int(number), CaliperValue().convert(length, param, ctx)


@click.command(short_help="Weigh caliper values into a reading, or tell what to measure.")
@click.argument("reading", type=EXISTING_FILE)
@click.option("--width", type=CaliperValue(), help="Across the uncut blade, by hand: mm, or inches as in 0.331in.")
@click.option("--length", type=CaliperValue(), help="From shoulder to tip, by hand.")
@click.option("--root", "roots", type=RootValue(), multiple=True, help="Metal left at a cut, by hand, as in 3=6.62.")
@click.option("--groove", "grooves", type=GrooveValue(), multiple=True, help="A groove's wall, as in right-far=5.96.")
@click.option("--ask", is_flag=True, help="Ask for the values one by one, what decides most first.")
@click.option("--write", type=FILE_TO_WRITE, help="Write the new reading into this file.")
@click.option("--json", "as_json", is_flag=True, help="Print the new reading as one JSON object.")
@in_folder
@skipping_bad
def confirm(
    reading: Path,
    width: float | None,
    length: float | None,
    roots: tuple[tuple[int, float], ...],
    grooves: tuple[tuple[str, float], ...],
    ask: bool,
    write: Path | None,
    as_json: bool,
    folder: Path | None,
    skip_bad: bool,
) -> None:
    """Sharpen a READING (JSON, from `keyid read --json`) with values measured by hand.

    Without values it tells what to measure, what decides most first.

    \b
    Example:
      keyid read samples/key-on-card.jpg --json > reading.json
      keyid confirm reading.json --width 8.58 --root 4=0.213in --write confirmed.json
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    from keyid.readings.confirm import HandValue, confirmed

    before = load_reading(reading)
    values = [HandValue(what, mm) for what, mm in (("width", width), ("length", length)) if mm is not None]
    values += [HandValue(place, mm) for place, mm in grooves]
    with told_plainly():
        profiles = {profile.id: profile for profile in open_library(folder, skip_bad).profiles}
    _check(before, reading, profiles)
    values += [_root(before, number, mm) for number, mm in roots]
    if ask:
        values += _asked(before, profiles, values)
    after, said = confirmed(before, profiles, values)
    if write is not None:
        _write(after, write)
    if as_json:
        for sentence in said:
            click.echo(sentence, err=True)
        click.echo(json.dumps(after, allow_nan=False))
    else:
        echo("\n".join(_lines(after, profiles, values, said)))


def load_reading(path: Path) -> Json:
    """Read a reading of a key that was measured; anything else is a usage error."""
    try:
        reading = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _unfit(f"{path} is not a JSON file: {MADE_BY}.") from error
    form = str(reading.get("format", "")) if isinstance(reading, dict) else ""
    if form.startswith(f"{FORM}/") and form != f"{FORM}/1":
        raise _unfit(f"{path} is in the form {form}, which this version of keyid can't read: {AGAIN}.")
    if form != f"{FORM}/1":
        raise _unfit(f"{path} is not a reading of a key: {MADE_BY}.")
    if "error" in reading:
        raise _unfit(f"{path} tells of a photo that could not be measured: take another photo and read that.")
    return reading  # type: ignore[no-any-return]


def _unfit(message: str) -> click.BadParameter:
    return click.BadParameter(message, param_hint="READING")


def _root(reading: Json, number: int, mm: float) -> HandValue:
    from keyid.readings.confirm import HandValue

    count = 0 if reading["bitting"] is None else len(reading["bitting"]["cuts"])
    if not 1 <= number <= count:
        raise click.BadParameter(f"the reading has {count} cuts, no cut {number}.", param_hint="--root")
    return HandValue("root", mm, number)


def _check(reading: Json, path: Path, profiles: dict[str, Any]) -> None:
    """Refuse a reading that names a blade which the library lacks, or lacks something itself."""
    from keyid.readings.reading_parse import parse_reading

    try:
        missing = [c["profile"] for c in reading["candidates"] if c["profile"] not in profiles]
        if not missing:
            parse_reading(reading, profiles)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _unfit(f"{path} is incomplete or damaged: {AGAIN}.") from error
    if missing:
        hint = "give the folder that it was read with by --profiles."
        raise click.UsageError(f"The library has no blade '{missing[0]}' of this reading: {hint}")


def _asked(reading: Json, profiles: dict[str, Any], values: list[HandValue]) -> list[HandValue]:
    """Ask for one value after another, each time for the one that then decides most; an empty answer ends it."""
    from dataclasses import replace

    from keyid.readings.confirm import confirmed, hand_measurements

    given = list(values)
    while True:
        done = {(value.what, value.cut) for value in given}
        now, _ = confirmed(reading, profiles, given)
        wanted = [m for m in hand_measurements(now, profiles) if (m.value.what, m.value.cut) not in done]
        if not wanted:
            return given[len(values) :]
        click.echo(f"Measure the {wanted[0].words}. {wanted[0].why}.", err=True)
        answer = click.prompt("Value, or Enter to end", default="", show_default=False, err=True)
        if not answer:
            return given[len(values) :]
        try:
            mm = CaliperValue().convert(answer, None, None)
        except click.BadParameter as error:
            click.echo(error.message, err=True)
            continue
        given.append(replace(wanted[0].value, mm=mm))


def _write(reading: Json, path: Path) -> None:
    from keyid.private_file import write_private

    try:
        write_private(path, json.dumps(reading, allow_nan=False, indent=1).encode())
    except OSError as error:
        raise click.ClickException(f"The reading could not be written: {error.strerror}.") from error


def _lines(reading: Json, profiles: dict[str, Any], values: list[HandValue], said: list[str]) -> list[str]:
    """The new reading in words, as `keyid read` tells one, and what to measure next."""
    from keyid.readings.confirm import hand_measurements
    from keyid.readings.reading_parse import parse_reading
    from keyid.reports.text import blade_verdict, cuts_verdict, do_now, paragraph

    parsed = parse_reading(reading, profiles)
    given = "; ".join(f"{_named(value)}: {value.mm:.2f} mm" for value in values)
    wanted = [f"{one.words}. {one.why}." for one in hand_measurements(reading, profiles)][:SHOWN]
    first = f"Measure the {wanted[0]}" if wanted else do_now(parsed) or "No hand measurement would tell much more."
    return [
        *paragraph("By hand", given),
        *(line for sentence in said for line in paragraph("Clash", sentence)),
        *paragraph("Verdict", blade_verdict(parsed)),
        *paragraph("", cuts_verdict(parsed)),
        *paragraph("Do now", first),
        *(line for one in wanted[1:] for line in paragraph("Or", f"{one[0].upper()}{one[1:]}")),
        *paragraph("Beware", " ".join(reading["cautions"])),
    ]


def _named(value: HandValue) -> str:
    return f"cut {value.cut}" if value.cut else value.what.replace("-", " face, ")
