"""Reading many photos from the command line."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from keyid.commands.parts import FILE_TO_WRITE, echo, open_library, told_plainly

if TYPE_CHECKING:
    from keyid.batch import Batch, Begun, Reader, Worker
    from keyid.profiles.library import Library
    from keyid.scales.told import Told


Command = TypeVar("Command", bound=Callable[..., object])

TOLD_REFUSALS = 10  # photos that could not be read; more of them fill the screen


def many(command: Command) -> Command:
    """Give a command the options for many photos."""
    out = click.option(
        "--out", type=FILE_TO_WRITE, help="Read many photos, or folders of them, into this file by line."
    )
    table = click.option("--csv", "table", type=FILE_TO_WRITE, help="With --out: also write a table, a row a photo.")
    dask = click.option("--dask", metavar="ADDRESS", help="With --out: read on the workers of a Dask scheduler.")
    return out(table(dask(command)))


def photos_of_one_key(
    photos: tuple[Path, ...], same_key: bool, table: Path | None, dask: str | None
) -> tuple[Path, ...]:
    """The photos to read without --out: one, or several that are told to show the same key."""
    folder = next((photo for photo in photos if photo.is_dir()), None)
    if folder is not None:
        raise click.UsageError(f"'{folder}' is a folder: read its photos with --out FILE, or name one photo in it.")
    if len(photos) > 1 and not same_key:
        raise click.UsageError("Several photos need --out FILE, or --same-key where all of them show one key.")
    if same_key and len({photo.resolve() for photo in photos}) < max(2, len(photos)):
        raise click.UsageError("--same-key needs two or more photos, each only once.")
    if table is not None or dask is not None:
        raise click.UsageError(f"--{'csv' if dask is None else 'dask'} needs --out FILE.")
    return photos


def read_many(
    paths: tuple[Path, ...],
    folder: Path | None,
    skip_bad: bool,
    out: Path,
    table: Path | None,
    told: Told,
    dask: str | None,
) -> None:
    """Read photos, and those in folders, into a file of results; go on where an earlier run stopped.

    ``told`` is true of all of them; ``dask`` is the address of a cluster to read them on instead of this machine.
    """
    from keyid.batch import find_photos, open_batch, read_one, write_table
    from keyid.reports.text import plain

    photos = find_photos(paths)
    if not photos:
        raise click.BadParameter("there is no photo in the folder.", param_hint="PHOTOS")
    _check_files(out, table, photos)
    with told_plainly():
        library = open_library(folder, skip_bad)
    try:
        batch = open_batch(photos, library, out, told)
    except ValueError as error:
        raise click.BadParameter(f"{error}: name another file.", param_hint="--out") from error
    with _worker(dask, library, partial(read_one, told=told)) as worker, _cluster_lost(out):
        read, refused = _run(batch, worker)
    if table is not None:
        write_table(out, table)
    before = f", {batch.done} before" if batch.done else ""
    click.echo(f"{read} read, {len(refused)} could not be read{before}: {out}", err=True)
    for photo, why in refused[:TOLD_REFUSALS]:
        echo(plain(f"{photo}: {why}"), err=True)
    if len(refused) > TOLD_REFUSALS:
        click.echo(f"and {len(refused) - TOLD_REFUSALS} more: the lines of {out} that have an error", err=True)


def _worker(dask: str | None, library: Library, read: Reader) -> AbstractContextManager[Worker[Any]]:
    """Processes on all cores, or a cluster."""
    from keyid.batch import Processes

    if dask is None:
        return Processes(library, _cores(), read)
    try:
        from keyid.cluster import Cluster
    except ImportError as error:
        raise click.UsageError('--dask needs the extra part for it: pip install "keyid[dask]"') from error
    try:
        return Cluster(dask, library, read)
    except ConnectionError as error:
        raise click.BadParameter(f"{error}.", param_hint="--dask") from error


@contextmanager
def _cluster_lost(out: Path) -> Iterator[None]:
    """Tell plainly when the cluster is lost in the middle."""
    try:
        yield
    except ConnectionError as error:
        raise click.ClickException(f"{error}; the same command goes on where {out.name} ends.") from error


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


def _run(batch: Batch, worker: Worker[Begun]) -> tuple[int, list[tuple[Path, str]]]:
    """Read, with a progress bar on a terminal; how many could be read, and which could not and what to do."""
    from keyid.batch import run

    left = batch.photos[batch.done :]
    refused = []
    with _progress(len(left)) as step:
        for photo, reading in zip(left, run(batch, worker), strict=True):
            if "error" in reading:
                refused.append((photo, f"{reading['error']['message']} {reading['error']['advice']}"))
            step()
    return len(left) - len(refused), refused


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
