"""The command ``keyid profiles``: look into the library, check it, compare blades, and add to it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from keyid.commands.add import add
from keyid.commands.parts import EXISTING_FOLDER, FILE_TO_WRITE, in_folder, open_library, skipping_bad, told_plainly
from keyid.errors import ProfileError

if TYPE_CHECKING:
    from keyid.profiles.library import Library
    from keyid.profiles.profile import Profile

MOST_COLUMNS = 4  # blades beside the asked one: a table of more is not read
PX_PER_MM = 10.0  # of paper, in a PNG: 254 dots per inch


@click.group(short_help="Find, show, tell apart, check and add blades.")
def profiles() -> None:
    """Look into the profile files: list, show, check, tell apart, add."""


profiles.add_command(add)


@profiles.command("list", short_help="List blades, by words or by sizes.")
@click.argument("words", nargs=-1)
@click.option("--width", type=float, metavar="MM", help="Blades of that width in mm.")
@click.option("--length", type=float, metavar="MM", help="Blades of that length in mm.")
@click.option("--first", type=float, metavar="MM", help="Blades with the first cut that far from the stop, in mm.")
@click.option("--cuts", type=click.IntRange(1), metavar="N", help="Blades with that many cuts.")
@click.option(
    "--within", type=click.FloatRange(0), metavar="MM", default=0.1, show_default=True, help="How far off, in mm."
)
@in_folder
@skipping_bad
def list_profiles(
    words: tuple[str, ...],
    width: float | None,
    length: float | None,
    first: float | None,
    cuts: int | None,
    within: float,
    folder: Path | None,
    skip_bad: bool,
) -> None:
    """List profiles; with WORDS only those in which all of them stand, with sizes only those that fit.

    \b
    Example:
      keyid profiles list plastic rolling-code --width 8.4
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    from keyid.profiles.profile_search import Wanted, search
    from keyid.reports.profiles_text import list_text

    with told_plainly():
        found = search(open_library(folder, skip_bad).profiles, Wanted(words, width, length, first, cuts, within))
        if not found:
            raise ProfileError("No profile fits.", "Use fewer words, or a larger --within.")
        click.echo(list_text(found), nl=False)


@profiles.command(short_help="Show a blade: sizes, cuts, depths, blanks, look-alikes.")
@click.argument("profile_id", metavar="ID")
@click.option("--drawing", type=FILE_TO_WRITE, help="Draw the blade to scale, into this SVG or PNG file.")
@in_folder
@skipping_bad
def show(profile_id: str, drawing: Path | None, folder: Path | None, skip_bad: bool) -> None:
    """Show the profile ID: sizes, cuts, depths, blanks, and the blades that look like it.

    \b
    Example:
      keyid profiles show harbour-gate --drawing harbour-gate.svg
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    from keyid.profiles.profile_compare import look_alikes
    from keyid.reports.profiles_text import profile_text

    if drawing is not None and drawing.suffix.lower() not in (".svg", ".png"):
        raise click.BadParameter("a drawing is an SVG or PNG file.", param_hint="--drawing")
    with told_plainly():
        library = open_library(folder, skip_bad)
        (profile,) = _named(library, (profile_id,))
        click.echo(profile_text(profile, look_alikes(profile, library.profiles)), nl=False)
    if drawing is not None:
        _write_drawing(profile, drawing)


@profiles.command(short_help="Check profile files, and tell every fault.")
@click.argument("folder", type=EXISTING_FOLDER, required=False)
def check(folder: Path | None) -> None:
    """Check every profile file of FOLDER (default: the built-in ones), and tell every fault and doubtful number.

    Exit status 1 when a file can't be used; doubts alone leave it at 0.

    \b
    Example:
      keyid profiles check reference_profiles/demo
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    from keyid.profiles.library import shipped_folder
    from keyid.profiles.library_check import check_library
    from keyid.reports.profiles_text import check_text

    with told_plainly():
        checked = check_library(folder or shipped_folder())
        if not checked:
            raise ProfileError("There is no profile file (.toml) in this folder.", "Name a folder of profile files.")
    click.echo(check_text(checked), nl=False)
    if any(file.faults for file in checked):
        raise click.exceptions.Exit(1)


@profiles.command(short_help="Tell what differs between blades, and how to decide.")
@click.argument("ids", metavar="ID...", nargs=-1, required=True)
@in_folder
@skipping_bad
def apart(ids: tuple[str, ...], folder: Path | None, skip_bad: bool) -> None:
    """Tell what is the same and what differs between blades: by how much, and how to decide.

    With one ID: its blanks, and the blade beside those that a photo can't tell from it.

    \b
    Example:
      keyid profiles apart fam-01 fam-04
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    from keyid.profiles.profile_compare import compare, look_alikes
    from keyid.reports.profiles_text import blanks_text, comparison_text

    with told_plainly():
        library = open_library(folder, skip_bad)
        chosen = _named(library, ids)
    if len(chosen) == 1:
        click.echo(blanks_text(chosen[0]))
        alike = look_alikes(chosen[0], library.profiles)
        chosen += alike[:MOST_COLUMNS]
        if len(alike) > MOST_COLUMNS:
            click.echo(f"{len(alike)} blades look like it; the first {MOST_COLUMNS} of them:")
    if len(chosen) == 1:
        click.echo("No other blade in the library looks like it.")
    else:
        click.echo(comparison_text(compare(chosen)), nl=False)


def _named(library: Library, ids: tuple[str, ...]) -> tuple[Profile, ...]:
    """The profiles of these ids, each once, in their order."""
    import difflib

    known = {profile.id: profile for profile in library.profiles}
    for wanted in ids:
        if wanted not in known:
            near = difflib.get_close_matches(wanted, known, n=3)
            advice = f"Perhaps {' or '.join(near)} is meant." if near else "See keyid profiles list."
            raise ProfileError(f"There is no profile {wanted!r}.", advice)
    return tuple(known[wanted] for wanted in dict.fromkeys(ids))


def _write_drawing(profile: Profile, path: Path) -> None:
    from keyid.reports.drawing import picture, svg
    from keyid.reports.profile_drawing import draw_profile

    drawing = draw_profile(profile)
    try:
        if path.suffix.lower() == ".svg":
            path.write_text(svg(drawing), encoding="utf-8")
        else:
            picture(drawing, PX_PER_MM).save(path, dpi=(PX_PER_MM * 25.4, PX_PER_MM * 25.4))
    except OSError as error:
        raise click.ClickException(f"The drawing could not be written: {error.strerror}.") from error
