"""Many photos: each read by itself on all cores, results written one a line in the order of the photos.

A line is complete or not there, so a run that was stopped goes on where it stopped.  However many photos there are,
only a few are under way at a time and nothing of them is kept in memory.
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Protocol, TypeVar

from keyid.errors import KeyidError, PhotoError
from keyid.profiles.library import Library
from keyid.readings.reading import error_json
from keyid.scales.told import Told

Json = dict[str, Any]
Reader = Callable[[Path, Library], Json]

SUFFIXES = {".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"}  # taken from folders
LINE_START = b'{"photo": '
AHEAD = 4  # photos under way for each worker: a slow one doesn't hold up the others
COLUMNS = (
    "photo",
    "error",
    "blade",
    "probability",
    "none_of_these",
    "code",
    "code_probability",
    "width_mm",
    "length_mm",
)


Begun = TypeVar("Begun")


class Worker(Protocol[Begun]):
    """Something that reads several photos at a time."""

    jobs: int

    def begin(self, photo: Path) -> Begun:
        """Begin to read a photo."""
        ...

    def end(self, photo: Path, begun: Begun) -> Json:
        """Wait for the photo's reading in its JSON form, or the error's; whatever happens to the worker."""
        ...


@dataclass(frozen=True)
class Batch:
    """Photos to be read into one file.

    Attributes
    ----------
    photos : tuple of Path
        In the order of the results.
    library : str
        Which profiles they are read with, and what was told of them: different readings don't go into one file.
    out : Path
        JSON Lines: ``{"photo": path, "library": ..., "reading": {...}}``.
    done : int
        How many of the photos, from the first on, the file holds.
    """

    photos: tuple[Path, ...]
    library: str
    out: Path
    done: int


def find_photos(paths: Iterable[Path]) -> tuple[Path, ...]:
    """The files as given, and those in folders that are named like photos, by name."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            inside = (each for each in path.rglob("*") if each.suffix.lower() in SUFFIXES)
            found += sorted(each for each in inside if each.is_file() and not each.name.startswith("."))
        else:
            found.append(path)
    return tuple(found)


def library_name(library: Library, told: Told | None = None) -> str:
    """Twelve hex digits that change with any profile, and with what was told of all photos."""
    read_with = (library.profiles,) if told in (None, Told()) else (library.profiles, told)
    return hashlib.sha256(" ".join(map(repr, read_with)).encode()).hexdigest()[:12]


def open_batch(photos: tuple[Path, ...], library: Library, out: Path, told: Told | None = None) -> Batch:
    """Find out what a file of results holds already; a line torn by an interruption is taken off.

    Raises
    ------
    ValueError
        When the file holds something else than results of these photos, read with this library and told the same.
    """
    name = library_name(library, told)
    done, whole = 0, 0
    if out.exists():
        with out.open("rb") as file:
            for line in file:
                if not line.endswith(b"\n") and line[: len(LINE_START)] == LINE_START[: len(line)]:
                    break
                if done == len(photos) or not _belongs(line, photos[done], name):
                    raise ValueError(f"line {done + 1} of {out.name} is not the reading of {_nth(photos, done)}")
                done, whole = done + 1, whole + len(line)
        os.truncate(out, whole)
    return Batch(photos, name, out, done)


def _belongs(line: bytes, photo: Path, library: str) -> bool:
    try:
        held = json.loads(line)
    except ValueError:
        return False
    return isinstance(held, dict) and held.get("photo") == str(photo) and held.get("library") == library


def _nth(photos: tuple[Path, ...], index: int) -> str:
    return f"{photos[index]} with these profiles and options" if index < len(photos) else "any of these photos"


def run(batch: Batch, worker: Worker[Begun]) -> Iterator[Json]:
    """Read what isn't read yet, and yield each reading after it was written."""
    descriptor = os.open(batch.out, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)  # as private as the keys
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        for photo, reading in _in_order(batch.photos[batch.done :], worker):
            line = {"photo": str(photo), "library": batch.library, "reading": reading}
            file.write(json.dumps(line, allow_nan=False) + "\n")
            file.flush()
            yield reading


def _in_order(photos: tuple[Path, ...], worker: Worker[Begun]) -> Iterator[tuple[Path, Json]]:
    """Readings in the order of the photos, with some photos under way ahead."""
    ahead = iter(photos)
    under_way = deque((photo, worker.begin(photo)) for photo in islice(ahead, AHEAD * worker.jobs))
    while under_way:
        photo, begun = under_way.popleft()
        yield photo, worker.end(photo, begun)
        under_way.extend((photo, worker.begin(photo)) for photo in islice(ahead, 1))


class Processes(AbstractContextManager["Processes"]):
    """Worker processes on this machine, one core each; each gets the library once."""

    def __init__(self, library: Library, jobs: int, read: Reader | None = None) -> None:
        self.jobs = jobs
        self._prepared = RUN, library, read or read_one
        self._stack = ExitStack()
        self._pool = self._start(jobs)

    def _start(self, jobs: int) -> ProcessPoolExecutor:
        context = get_context("spawn")  # a forked process would inherit OpenCV's threads half alive
        pool = ProcessPoolExecutor(jobs, context, _prepare_process, self._prepared)
        self._stack.callback(pool.shutdown, wait=False, cancel_futures=True)
        return pool

    def begin(self, photo: Path) -> Future[Json]:
        """Begin to read a photo, in fresh processes when one of the last ones has died."""
        try:
            return self._pool.submit(read_prepared, photo, RUN)
        except BrokenProcessPool:
            self._pool = self._start(self.jobs)
            return self._pool.submit(read_prepared, photo, RUN)

    def end(self, photo: Path, begun: Future[Json]) -> Json:
        """Wait for a reading; a photo under way when a process died is read once more, in a process of its own."""
        try:
            return begun.result()
        except BrokenProcessPool:
            alone = self._start(1)
        try:
            return alone.submit(read_prepared, photo, RUN).result()
        except BrokenProcessPool:
            return error_json(failed(photo, "it ended the process that read it"))
        finally:
            alone.shutdown()

    def __exit__(self, *_: object) -> None:
        self._stack.close()


RUN = ""  # the only run that a process of this machine reads for
_prepared: dict[str, tuple[Library, Reader]] = {}  # what a worker process was given, for each run that it reads for


def _prepare_process(run: str, library: Library, read: Reader) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that writes the results
    prepare(run, library, read)


def prepare(run: str, library: Library, read: Reader) -> None:
    """Make this process ready to read a run's photos."""
    import cv2

    cv2.setNumThreads(1)
    _prepared[run] = library, read


def forget(run: str) -> None:
    """Let go of what a run was given."""
    _prepared.pop(run, None)


def read_prepared(photo: Path, run: str) -> Json:
    """Read a photo of a run that this process was prepared for."""
    library, read = _prepared[run]
    return read(photo, library)


def read_one(photo: Path, library: Library, told: Told | None = None) -> Json:
    """A photo's reading in its JSON form, or the error's."""
    from keyid.identify import read

    try:
        return read(photo, profiles=library, told=told).to_json()
    except KeyidError as error:
        return error_json(error)
    except Exception as error:  # one photo never stops the others
        return error_json(failed(photo, f"{type(error).__name__}: {error}"))


def failed(photo: Path, why: str) -> PhotoError:
    """The error of a photo at which the program failed."""
    message = f"The photo {photo.name} made the program fail ({why})."
    return PhotoError("key-unclear", message, "Take another photo, and report this one.")


def write_table(results: Path, table: Path) -> None:
    """Write a file of results as CSV, a row a photo, lengths in mm."""
    descriptor = os.open(table, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with results.open(encoding="utf-8") as lines, os.fdopen(descriptor, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for line in lines:
            held = json.loads(line)
            writer.writerow([held["photo"], *_row(held["reading"])])


def _row(reading: Json) -> list[object]:
    if "error" in reading:
        return [reading["error"]["code"], *[""] * (len(COLUMNS) - 2)]
    blade, bitting = reading["blade"], reading["bitting"] or {}
    first = (reading["candidates"] or [{}])[0]
    length = blade["length"] or {}
    return [
        "",
        *(first.get("profile", ""), first.get("probability", ""), reading["none_of_these"]),
        *(bitting.get("code", ""), bitting.get("probability", "")),
        *(blade["width"]["value"], length.get("value", "")),
    ]
