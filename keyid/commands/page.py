"""``keyid page``: the local page."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import click

from keyid.commands.parts import echo, in_folder, open_library, skipping_bad, told_plainly

PARTS = ("starlette", "uvicorn", "segno")


@click.command(short_help="Do all of it on a page in the browser.")
@click.option("--port", type=click.IntRange(1, 65535), help="Serve on this port; without it, on any free one.")
@click.option("--no-browser", is_flag=True, help="Don't open the browser.")
@click.option("--lan", is_flag=True, help="Offer it to a phone in the same network too, by a one-time address.")
@in_folder
@skipping_bad
def page(port: int | None, no_browser: bool, lan: bool, folder: Path | None, skip_bad: bool) -> None:
    """Open a page on this machine: give a photo, see what was found, confirm by caliper, take the report along.

    Nothing is written to disk; what lies there is forgotten after half an hour and at the end (Ctrl+C).

    \b
    Examples:
      keyid page
      keyid page --lan
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    if any(find_spec(part) is None for part in PARTS):
        raise click.ClickException('The page\'s parts are not installed. Install them with: pip install "keyid[page]"')
    from keyid.page.serve import NoNetwork, serve

    with told_plainly():
        library = open_library(folder, skip_bad)
    try:
        serve(library, port or 0, lan, not no_browser, echo)
    except NoNetwork as error:
        raise click.ClickException(
            "This machine is in no network, so --lan has nobody to offer the page to."
        ) from error
    except OSError as error:
        raise click.ClickException(f"The page can't be served on this port: {error.strerror}.") from error
