"""What several commands share: kinds of arguments, the library's options, and how errors are told."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from keyid.errors import KeyidError, PhotoError

if TYPE_CHECKING:
    from keyid.profiles.library import Library

T = TypeVar("T")


class ExistingPath(click.Path):
    """A path of something that is there; where it isn't, or is of the other kind, that is told with what to do."""

    def convert(
        self, value: str | os.PathLike[str], param: click.Parameter | None, ctx: click.Context | None
    ) -> str | bytes | os.PathLike[str]:
        """Check the path as `click.Path` does, in the words of a person."""
        path = Path(value)
        if not path.exists():
            self.fail(f"'{path}' does not exist: check its name and its folder.", param, ctx)
        if path.is_dir() and not self.dir_okay:
            self.fail(f"'{path}' is a folder: name a file in it.", param, ctx)
        if not path.is_dir() and not self.file_okay:
            self.fail(f"'{path}' is a file: name the folder that it is in.", param, ctx)
        return super().convert(value, param, ctx)


EXISTING_FILE = ExistingPath(dir_okay=False, path_type=Path)
EXISTING = ExistingPath(path_type=Path)
EXISTING_FOLDER = ExistingPath(file_okay=False, path_type=Path)
FILE_TO_WRITE = click.Path(dir_okay=False, path_type=Path)

in_folder = click.option(
    "--profiles", "folder", type=EXISTING_FOLDER, help="Folder of profile files to use instead of the built-in ones."
)
skipping_bad = click.option("--skip-bad", is_flag=True, help="Leave out broken profile files instead of stopping.")


@contextmanager
def told_plainly() -> Iterator[None]:
    """Tell an error as one sentence on standard error, and leave with status 1."""
    from keyid.reports.text import error_text

    try:
        yield
    except KeyidError as error:
        click.echo(error_text(error), err=True)
        raise click.exceptions.Exit(1) from error


def measuring(photo: Path, measure: Callable[[], T]) -> T:
    """Measure a photo; a fault inside the program becomes a plain refusal that says so."""
    try:
        return measure()
    except KeyidError:
        raise
    except Exception as error:  # last line of defence: a person at the kerb can't use a traceback
        message = f"The photo {photo.name} made the program fail ({type(error).__name__}: {error})."
        raise PhotoError("key-unclear", message, "Take another photo, and report this one.") from error


def open_library(folder: Path | None, skip_bad: bool) -> Library:
    """Load a library, telling on standard error what was left out."""
    from keyid.profiles.library import load_library

    library = load_library(folder, skip_bad)
    for left_out in library.skipped:
        click.echo(f"Left out: {left_out}", err=True)
    return library


def echo(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print text, with question marks for what the terminal's encoding lacks."""
    stream = sys.stderr if err else sys.stdout
    encoding = stream.encoding or "utf-8"
    click.echo(text.encode(encoding, "replace").decode(encoding), err=err, nl=nl)
