"""The command line: a thin skin on `keyid.identify`."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from keyid.commands.batch import many, photos_of_one_key, read_many
from keyid.commands.compare import compare
from keyid.commands.confirm import confirm
from keyid.commands.outputs import Outputs, writing
from keyid.commands.page import page
from keyid.commands.parts import EXISTING, EXISTING_FILE, EXISTING_FOLDER, echo, measuring, told_plainly
from keyid.commands.pointing import PointedIn, pointing
from keyid.commands.profiles import profiles
from keyid.commands.question import Asked, asking
from keyid.commands.sheet import request, sheet
from keyid.commands.told import telling
from keyid.errors import KeyidError
from keyid.scales.pointed import Pointed
from keyid.scales.told import Told

if TYPE_CHECKING:
    from keyid.identify import Examination


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="keyid", message="%(prog)s %(version)s")
def main() -> None:
    """Identify a key from a photo by measuring it.

    Lay the key flat beside a bank card, hold the camera level above them, and take one sharp photo.
    """


main.add_command(profiles)
main.add_command(sheet)
main.add_command(request)
main.add_command(compare)
main.add_command(confirm)
main.add_command(page)


@main.command(short_help="Tell which blade a key can be, and its cuts.")
@click.argument("photos", type=EXISTING, nargs=-1, required=True)
@click.option("--json", "as_json", is_flag=True, help="Print the reading as one JSON object.")
@writing
@asking
@click.option("--profiles", type=EXISTING_FOLDER, help="Folder of profile files to use instead of the built-in ones.")
@click.option("--skip-bad", is_flag=True, help="Leave out broken profile files instead of stopping.")
@click.option("--same-key", is_flag=True, help="The photos show one key: read it from all of them together.")
@click.option("--budget", is_flag=True, help="Tell what the uncertainties are made of.")
@many
@telling
@pointing
def read(
    photos: tuple[Path, ...],
    as_json: bool,
    profiles: Path | None,
    skip_bad: bool,
    same_key: bool,
    budget: bool,
    out: Path | None,
    table: Path | None,
    dask: str | None,
    told: Told,
    pointed_in: PointedIn,
    asked: Asked,
    **outputs: Any,  # noqa: ANN401
) -> None:
    """Read the key in a photo: which blade it can be, and its cuts.

    With --same-key it reads one key from several photos. With --out it reads many photos, each of a key of its own, on
    all cores, with what is told (as --coin) true of all; run again, it goes on where it stopped.

    \b
    Examples:
      keyid read samples/key-on-card.jpg --picture measured.png --report report.html
      keyid read samples --out samples.jsonl --csv samples.csv
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    wanted = Outputs(**outputs)
    if out is not None:
        one_key = as_json or budget or same_key or any(outputs.values()) or asked != Asked()
        if one_key or pointed_in:
            others = "--csv, --dask, --profiles, --skip-bad, and what is true of all photos (such as --coin)"
            raise click.UsageError(f"--out goes with {others} only.")
        read_many(photos, profiles, skip_bad, out, table, told, dask)
        return
    photos = photos_of_one_key(photos, same_key, table, dask)
    pointed = pointed_in.in_turn(len(photos))
    if asked.without_scale and (same_key or pointed_in or replace(told, thickness_mm=None) != Told()):
        raise click.UsageError("--without-scale goes with one photo, and with nothing that tells a scale.")
    for photo in photos:
        wanted.check(photo)
    try:
        examination = _examine(photos, profiles, skip_bad, told, pointed, asked)
        _print_reading(examination, as_json)
        if budget:
            _print_budget(examination, as_json)
        wanted.write(examination)
    except KeyidError as error:
        _fail(error, as_json)


@main.command(short_help="Tell what limits a photo, and what to do about it.")
@click.argument("photo", type=EXISTING_FILE)
@telling
@pointing
def look(photo: Path, told: Told, pointed_in: PointedIn) -> None:
    """Tell what limits PHOTO, by how much, and what to do, without reading the key: for retaking on the spot.

    \b
    Example:
      keyid look samples/flash-without-exif.jpg
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    from keyid import identify
    from keyid.reports.text_advice import advice_text

    told = replace(told, pointed=pointed_in.in_turn(1)[0])
    with told_plainly():
        echo(advice_text(measuring(photo, lambda: identify.look(photo, told))), nl=False)


def _examine(
    photos: tuple[Path, ...],
    profiles: Path | None,
    skip_bad: bool,
    told: Told,
    pointed: tuple[Pointed, ...],
    asked: Asked,
) -> Examination:
    """Measure the photo, or several of one key."""
    from keyid.identify import examine, examine_together

    question = asked.question(profiles, skip_bad)
    options: dict[str, Any] = {"profiles": profiles, "skip_bad": skip_bad, "question": question, "warn": _warn}
    if len(photos) == 1:
        there = replace(told, pointed=pointed[0])
        return measuring(photos[0], lambda: examine(photos[0], told=there, **options))
    return measuring(photos[0], lambda: examine_together(photos, told=told, pointed=pointed, **options))


def _print_reading(examination: Examination, as_json: bool) -> None:
    from keyid.reports.text import reading_text

    reading = examination.reading
    if as_json:
        click.echo(json.dumps(reading.to_json(), allow_nan=False))
    else:
        echo(reading_text(reading), nl=False)


def _print_budget(examination: Examination, as_json: bool) -> None:
    """The budget under the text, or beside the JSON on standard error."""
    from keyid.reports.budget_text import budget_text

    echo(budget_text(examination.blade), err=as_json)


def _fail(error: KeyidError, as_json: bool) -> NoReturn:
    """Tell what is wrong and what to do, and leave with status 1."""
    from keyid.readings.reading import error_json
    from keyid.reports.text import error_text

    if as_json:
        click.echo(json.dumps(error_json(error)))
    _warn(error_text(error))
    raise click.exceptions.Exit(1)


def _warn(message: str) -> None:
    echo(message, err=True)
