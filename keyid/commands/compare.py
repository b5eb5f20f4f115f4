"""``keyid compare``: check a new key against the old one before it goes into the lock."""

from __future__ import annotations

import filecmp
import json
from pathlib import Path

import click

from keyid.commands.parts import EXISTING_FILE, echo, in_folder, measuring, open_library, skipping_bad
from keyid.commands.told import telling
from keyid.errors import KeyidError
from keyid.scales.told import Told


@click.command(short_help="Tell whether a new key has the old one's bitting.")
@click.argument("old", type=EXISTING_FILE)
@click.argument("new", type=EXISTING_FILE)
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as one JSON object.")
@click.option("--used", is_flag=True, help="The NEW key has been in use too: allow for its wear.")
@in_folder
@skipping_bad
@telling
def compare(old: Path, new: Path, as_json: bool, used: bool, folder: Path | None, skip_bad: bool, told: Told) -> None:
    """Tell whether the NEW key has the bitting of the OLD one, from a photo of each.

    \b
    Example:
      keyid compare samples/key-on-card.jpg samples/plastic-head.jpg
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    from keyid.identify import measure
    from keyid.readings.comparison import compare_keys
    from keyid.readings.reading import error_json
    from keyid.reports.comparison_text import comparison_text
    from keyid.reports.text import error_text

    if filecmp.cmp(old, new, shallow=False):
        raise click.UsageError(f"'{new}' is the same photo as '{old}': give another one.")
    try:
        profiles = open_library(folder, skip_bad).profiles
        blades = [measuring(photo, lambda photo=photo: measure(photo, told)[3]) for photo in (old, new)]  # type: ignore[misc]
    except KeyidError as error:
        if as_json:
            click.echo(json.dumps(error_json(error)))
        click.echo(error_text(error), err=True)
        raise click.exceptions.Exit(1) from error
    compared = compare_keys(blades[0], blades[1], profiles, new_is_used=used)
    if as_json:
        click.echo(json.dumps(compared.to_json(), allow_nan=False))
    else:
        echo(comparison_text(compared), nl=False)
