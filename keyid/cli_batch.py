"""Reading many photos from the command line."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from keyid.cli_parts import FILE_TO_WRITE, open_library, told_plainly

if TYPE_CHECKING:
    from keyid.batch import Batch, Worker


Command = TypeVar("Command", bound=Callable[..., object])


def many(command: Command) -> Command:
    """Give a command the options for many photos."""
    out = click.option(
        "--out", type=FILE_TO_WRITE, help="Read many photos, or folders of them, into this file by line."
    )
    table = click.option("--csv", "table", type=FILE_TO_WRITE, help="With --out: also write a table, a row a photo.")
    return out(table(command))


def one_photo(photos: tuple[Path, ...], table: Path | None) -> Path:
    """The one photo to read without --out."""
    if len(photos) > 1 or photos[0].is_dir():
        raise click.UsageError("Reading several photos needs --out FILE.")
    if table is not None:
        raise click.UsageError("--csv needs --out FILE.")
    return photos[0]


def read_many(paths: tuple[Path, ...], folder: Path | None, skip_bad: bool, out: Path, table: Path | None) -> None:
    """Read photos, and those in folders, into a file of results; go on where an earlier run stopped."""
    from keyid.batch import Processes, find_photos, open_batch, write_table

    photos = find_photos(paths)
    if not photos:
        raise click.BadParameter("there is no photo in the folder.", param_hint="PHOTOS")
    _check_files(out, table, photos)
    with told_plainly():
        library = open_library(folder, skip_bad)
    try:
        batch = open_batch(photos, library, out)
    except ValueError as error:
        raise click.BadParameter(f"{error}: name another file.", param_hint="--out") from error
    with Processes(library, _cores()) as worker:
        read, refused = _run(batch, worker)
    if table is not None:
        write_table(out, table)
    before = f", {batch.done} before" if batch.done else ""
    click.echo(f"{read} read, {refused} could not be read{before}: {out}", err=True)


def _check_files(out: Path, table: Path | None, photos: tuple[Path, ...]) -> None:
    """Refuse to write over a photo or into no folder."""
    for hint, path in (("--out", out), ("--csv", table)):
        if path is None:
            continue
        if not path.absolute().parent.is_dir():
            raise click.BadParameter(f"there is no folder '{path.parent}'.", param_hint=hint)
        if path.exists() and any(path.samefile(photo) for photo in photos):
            raise click.BadParameter("it would be written over a photo.", param_hint=hint)
    if table is not None and table.absolute() == out.absolute():
        raise click.BadParameter("it would be written over the results.", param_hint="--csv")


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _run(batch: Batch, worker: Worker) -> tuple[int, int]:
    """Read, with a progress bar on a terminal; how many could and could not be read."""
    from keyid.batch import run

    counts = [0, 0]
    with _progress(len(batch.photos) - batch.done) as step:
        for reading in run(batch, worker):
            counts["error" in reading] += 1
            step()
    return counts[0], counts[1]


@contextmanager
def _progress(count: int) -> Iterator[Callable[[], None]]:
    """A bar with rate and time left on standard error; nothing where that is no terminal."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    begin, done = time.monotonic(), 0

    def rate(_: object) -> str:
        return f"{done / max(time.monotonic() - begin, 1e-3):.1f} photos/s"

    with click.progressbar(length=count, file=sys.stderr, show_pos=True, item_show_func=rate) as bar:

        def step() -> None:
            nonlocal done
            done += 1
            bar.update(1, done)

        yield step
