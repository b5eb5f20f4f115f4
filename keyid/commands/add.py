"""``keyid profiles add``: a new profile file from caliper values, from photos, or from both.

Values come from options, from photos, from another profile's cutting system, and, what is still missing, from
questions.  Nothing is written before all of it has passed the check of profile files.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from keyid.commands.parts import (
    EXISTING_FILE,
    FILE_TO_WRITE,
    in_folder,
    measuring,
    open_library,
    skipping_bad,
    told_plainly,
)
from keyid.errors import ProfileError

if TYPE_CHECKING:
    from keyid.new_profiles.profile_gather import Sources
    from keyid.profiles.library import Library

UNITS = {"mm": "mm", "in": "inches"}
MOST_CODES = 60  # of a row: more would be a slip


def size(value: object) -> float:
    """Turn what was typed to a length above 0; a comma will do as the decimal point."""
    try:
        number = float(str(value).strip().replace(",", "."))
    except ValueError:
        number = math.nan
    if not (math.isfinite(number) and number > 0):
        raise click.BadParameter(f"{value!r} is not a number above 0.")
    return number


def sizes(value: object) -> tuple[float, ...]:
    """Turn what was typed to lengths, separated by spaces or commas."""
    try:
        numbers = tuple(float(part) for part in str(value).replace(",", " ").split())
    except ValueError:
        numbers = ()
    if not numbers or not all(math.isfinite(number) and number >= 0 for number in numbers):
        raise click.BadParameter(f"{value!r} is not a row of lengths, as in '5.0 8.8 12.6'.")
    return numbers


def codes(value: object) -> tuple[str, ...]:
    """Turn what was typed to depth codes: the ends of a row of numbers, as in 1-6, or one by one."""
    first, dash, last = str(value).strip().partition("-")
    if dash and first.isdecimal() and last.isdecimal() and abs(int(last) - int(first)) < MOST_CODES:
        step = 1 if int(last) >= int(first) else -1
        return tuple(str(number) for number in range(int(first), int(last) + step, step))
    row = tuple(str(value).replace(",", " ").split())
    if not row or not all(code.isalnum() and code.isascii() for code in row):
        raise click.BadParameter(f"{value!r} is not a row of depth codes, as in 1-6 or '1 2 3 A'.")
    return row


def bitting(value: object) -> tuple[str, ...]:
    """Turn a bitting to its codes: 3-5-2-1, or 3521 where each code is one character."""
    text = str(value).strip()
    row = tuple(text.split("-")) if "-" in text else tuple(text.split()) if " " in text else tuple(text)
    if not row or not all(code.isalnum() and code.isascii() for code in row):
        raise click.BadParameter(f"{value!r} is not a bitting, as in 3-5-2-1.")
    return row


ASKED: dict[str, tuple[str, Any]] = {  # what can't be left out, in the order of asking
    "name": ("What do you call this blade", str),
    "edges": ("How many edges carry cuts", click.IntRange(1, 2)),
    "stop": ("What locates the key", click.Choice(["shoulder", "tip"])),
    "width": ("Width across the uncut blade", size),
    "first": ("From the stop to the middle of the first cut", size),
    "cuts": ("Number of cuts", click.IntRange(1, 60)),
    "spacing": ("From the middle of one cut to the middle of the next", size),
    "codes": ("Depth codes, the shallowest first, as in 1-6", codes),
    "highest": ("Metal left at the shallowest code", size),
    "step": ("Difference between neighbouring depths", size),
    "order": ("The code is read", click.Choice(["bow-to-tip", "tip-to-bow"])),
}
OFFERED: dict[str, tuple[str, Any]] = {  # what may be left out
    "length": ("Length from stop to tip (for a tip stop: tip to bow)", size),
    "thickness": ("Thickness of the blade", size),
    "grooves_left": (
        "Grooves of the left face (tip right, cut edge up): walls in pairs, from the lower edge up",
        sizes,
    ),
    "grooves_right": ("Grooves of the right face: walls in pairs, from the same edge", sizes),
    "cut_edge": ("On the blank's photo, tip turned right, the edge to be cut is", click.Choice(["up", "down"])),
    "flat": ("Length of a root's flat", size),
    "angle": ("Angle of a cut in degrees", size),
    "macs": ("Most depth steps between neighbouring cuts", click.IntRange(1, 60)),
}


@click.command(short_help="Write the profile of a blade that you measured.")
@click.argument("file", type=FILE_TO_WRITE)
@click.option("--name", help="What you call the blade.")
@click.option("--id", "id_", help="Its id; otherwise made of the name.")
@click.option("--unit", type=click.Choice(["mm", "in"]), default="mm", show_default=True, help="Of all lengths here.")
@click.option("--u", type=size, help="Standard uncertainty of your values by hand; otherwise 0.03 mm.")
@click.option("--edges", type=click.IntRange(1, 2), help="How many edges carry cuts.")
@click.option("--stop", type=click.Choice(["shoulder", "tip"]), help="What locates the key.")
@click.option("--length", type=size, help="Stop to tip; for a tip stop tip to bow.")
@click.option("--width", type=size, help="Across the uncut blade.")
@click.option("--thickness", type=size, help="Of the blade.")
@click.option("--grooves-left", type=sizes, help="Walls in pairs, from the lower edge up; tip right, cut edge up.")
@click.option("--grooves-right", type=sizes, help="Likewise of the other face, from the same edge.")
@click.option("--positions", type=sizes, help="From the stop to the middle of each cut; or --first, --cuts, --spacing.")
@click.option("--first", type=size, help="From the stop to the middle of the first cut.")
@click.option("--cuts", type=click.IntRange(1, 60), help="Number of cuts.")
@click.option("--spacing", type=size, help="From the middle of one cut to the next.")
@click.option("--codes", type=codes, help="Depth codes, the shallowest first, as in 1-6 or 1 2 3 A.")
@click.option("--roots", type=sizes, help="Metal left at each code of --codes; or --highest and --step.")
@click.option("--highest", type=size, help="Metal left at the shallowest code.")
@click.option("--step", type=size, help="Difference between neighbouring depths.")
@click.option("--order", type=click.Choice(["bow-to-tip", "tip-to-bow"]), help="How the code is read.")
@click.option("--flat", type=size, help="Length of a root's flat.")
@click.option("--angle", type=size, help="Angle of a cut in degrees.")
@click.option("--macs", type=click.IntRange(1, 60), help="Most depth steps between neighbouring cuts.")
@click.option(
    "--head", type=click.Choice(["metal", "plastic"]), default="metal", show_default=True, help="Of the blank."
)
@click.option(
    "--electronics",
    type=click.Choice(["none", "fixed-code", "encrypted", "rolling-code", "unknown"]),
    default="none",
    show_default=True,
    help="In the blank's head.",
)
@click.option("--source", help="Where values come from that you did not measure.")
@click.option(
    "--blank", type=EXISTING_FILE, help="Photo of an uncut blank beside a card: stop, width, length, grooves, tip."
)
@click.option(
    "--cut-edge",
    type=click.Choice(["up", "down"]),
    help="Which edge of the blank is to be cut, its tip turned right: tells which face its grooves are on.",
)
@click.option(
    "--key",
    "keys",
    type=(str, bitting),
    multiple=True,
    metavar="KEY CODE",
    help="A key with a known bitting, once for each: its photo, or its roots by caliper as in '7.1 6.6 7.6'.",
)
@click.option("--cuts-of", metavar="ID", help="Take positions and depths of the profile with this id.")
@in_folder
@skipping_bad
def add(file: Path, folder: Path | None, skip_bad: bool, **given: Any) -> None:  # noqa: ANN401  (one for each option)
    """Write the profile FILE of a blade that you measured; what no option tells is asked.

    \b
    Examples:
      keyid profiles add quay.toml
      keyid profiles add pier.toml --blank samples/uncut-blank.jpg --cuts-of fam-23 --name Pier
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    if file.suffix != ".toml":
        raise click.BadParameter("a profile file's name ends in .toml.", param_hint="FILE")
    if file.exists():
        raise click.BadParameter(f"{file} exists already; choose another name.", param_hint="FILE")
    with told_plainly():
        library = open_library(folder, skip_bad)
        text = _new_file(given, library, file)
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise click.ClickException(f"The file could not be written: {error.strerror}.") from error
    _tell(text, file, library)


def _new_file(given: dict[str, Any], library: Library, file: Path) -> str:
    """Measure, ask and check; the text of the file."""
    from keyid.new_profiles.profile_gather import gather
    from keyid.new_profiles.profile_new import profile_toml
    from keyid.profiles.library import ids_taken
    from keyid.profiles.profile_file import parse_profile

    sources = _sources(given, library)
    told = _asked(given, sources.covers(given))
    text = profile_toml(gather(told, sources, datetime.date.today()))
    owners: dict[str, str] = {}
    for profile in library.profiles:
        list(ids_taken(profile, f"profile {profile.id}", owners))
    for fault in ids_taken(parse_profile(text.encode(), file.name), file.name, owners):
        raise fault
    return text


def _sources(given: dict[str, Any], library: Library) -> Sources:
    """Measure the photos, and find the profile whose cuts are taken."""
    from keyid.new_profiles.profile_gather import Sources
    from keyid.new_profiles.profile_sources import measure_blank, measure_key

    photos, by_hand = [], []
    for shown, code in given["keys"]:
        photo = Path(shown)
        if photo.is_file():
            photos.append((measuring(photo, partial(measure_key, photo)), code))
        else:
            by_hand.append((_roots(shown), code))
    cuts_of = None
    if given["cuts_of"] is not None:
        known = {profile.id: profile for profile in library.profiles}
        cuts_of = known.get(given["cuts_of"])
        if cuts_of is None:
            raise ProfileError(f"There is no profile {given['cuts_of']!r}.", "See keyid profiles list.")
    photo_of_blank = given["blank"]
    blank = None
    if photo_of_blank is not None:
        blank = measuring(photo_of_blank, partial(measure_blank, photo_of_blank))
    return Sources(blank, tuple(photos), tuple(by_hand), cuts_of)


def _roots(shown: str) -> tuple[float, ...]:
    try:
        return sizes(shown)
    except click.BadParameter as error:
        message = f"{shown!r} is neither a photo nor a row of roots."
        raise click.BadParameter(message, param_hint="--key") from error


def _asked(given: dict[str, Any], covered: set[str]) -> dict[str, Any]:
    """What was given, with answers to what is missing; nothing is offered when nothing needs to be asked."""
    missing = [name for name in ASKED if name not in covered]
    if not missing:
        return given
    told = dict(given)
    click.echo(
        f"Lengths are in {UNITS[given['unit']]}. Metal left is measured from the opposite uncut edge to the root."
    )
    for name in missing:
        question, kind = ASKED[name]
        told[name] = click.prompt(question, type=kind)
    for name in (name for name in OFFERED if name not in covered):
        question, kind = OFFERED[name]
        told[name] = click.prompt(
            f"{question} (Enter: leave out)", default="", show_default=False, value_proc=_unless_empty(kind)
        )
    return told


def _unless_empty(kind: Any) -> Callable[[str], Any]:  # noqa: ANN401  (a kind of value, as click has them)
    return lambda typed: click.types.convert_type(kind)(typed) if typed else None


def _tell(text: str, file: Path, library: Library) -> None:
    """Show what was written, what about it is doubtful, and which known blades look like it."""
    from keyid.profiles.profile_compare import look_alikes
    from keyid.profiles.profile_file import parse_profile
    from keyid.profiles.profile_rules import doubts
    from keyid.reports.profiles_text import profile_text

    profile = parse_profile(text.encode(), file.name)
    click.echo(f"Wrote {file}.")
    click.echo(profile_text(profile, look_alikes(profile, library.profiles)), nl=False)
    for doubt in doubts(profile):
        click.echo(f"Doubtful: {doubt}.", err=True)
    click.echo(f"Use it with --profiles {file.parent}, or put it among your other profile files.")
