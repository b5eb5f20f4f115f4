"""A Dask cluster of worker processes: order, a worker that dies, and what is sent; all by construction."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

distributed = pytest.importorskip("distributed")

from click.testing import CliRunner  # noqa: E402

from keyid.batch import open_batch, run  # noqa: E402
from keyid.cluster import Cluster  # noqa: E402
from keyid.commands.cli import main  # noqa: E402
from keyid.profiles.library import Library  # noqa: E402

COUNT = 24
DEADLY = "007.jpg"


class Noted(Library):
    """A library that leaves a note of every process that it is unpacked in."""

    def __reduce__(self) -> tuple[Any, ...]:
        """Unpack with a note."""
        return _noted, (os.environ["KEYID_TEST_NOTES"],)


def _noted(folder: str) -> Library:
    _note(Path(folder), "library")
    return Library(())


def _note(folder: Path, what: str) -> None:
    """Append a line in one system call, so that processes don't mix theirs."""
    file = os.open(folder / "notes.txt", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.write(file, f"{what} {os.getpid()}\n".encode())
    os.close(file)


def read_noted(photo: Path, library: Library) -> dict[str, Any]:
    _note(photo.parent, photo.name)
    died = photo.parent / "died"
    if photo.name == DEADLY and not died.exists():
        died.touch()
        os._exit(9)  # as when the system takes the memory away
    return {"error": {"code": "no-key", "message": "", "advice": ""}, "name": photo.name}


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """A scheduler on this machine with two workers, each a process."""
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        local_directory=str(tmp_path / "dask"),
    ) as cluster:
        yield cluster.scheduler_address


def test_a_worker_that_dies_costs_no_photo_and_doubles_none(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("KEYID_TEST_NOTES", str(tmp_path))
    photos = tuple(tmp_path / f"{n:03}.jpg" for n in range(COUNT))
    out = tmp_path / "out.jsonl"
    with Cluster(address, Noted(()), read_noted) as worker:
        assert len(list(run(open_batch(photos, Library(()), out), worker))) == COUNT
    held = [json.loads(line) for line in out.read_text().splitlines()]
    assert [line["photo"] for line in held] == [str(photo) for photo in photos]
    assert [line["reading"]["name"] for line in held] == [photo.name for photo in photos]
    notes = [tuple(line.split()) for line in (tmp_path / "notes.txt").read_text().splitlines()]
    begun = Counter(what for what, _ in notes if what != "library")
    assert set(begun) == {photo.name for photo in photos}
    assert begun[DEADLY] == 2  # on the worker that died, and on another
    given = Counter(process for what, process in notes if what == "library")
    readers = {process for what, process in notes if what != "library"}
    assert readers <= set(given)
    assert max(given.values()) == 1
    assert len(given) <= 3  # two workers, and the one that was started instead of the dead one


def test_command_reads_on_a_cluster(address: str, tmp_path: Path) -> None:
    photos = [tmp_path / f"{n}.jpg" for n in range(3)]
    for photo in photos:
        photo.write_text("no photo")
    out = tmp_path / "out.jsonl"
    done = CliRunner().invoke(main, ["read", *map(str, photos), "--out", str(out), "--dask", address])
    assert done.exit_code == 0
    assert "0 read, 3 could not be read" in done.stderr
    held = [json.loads(line) for line in out.read_text().splitlines()]
    assert [line["reading"]["error"]["code"] for line in held] == ["unreadable-file"] * 3


@pytest.mark.parametrize("wrong", ["tcp://127.0.0.1:9", "nowhere"])
def test_an_address_without_a_cluster_is_refused(wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("keyid.cluster.WAIT_S", 1)
    photo, out = tmp_path / "a.jpg", tmp_path / "out.jsonl"
    photo.touch()
    done = CliRunner().invoke(main, ["read", str(photo), "--out", str(out), "--dask", wrong])
    assert done.exit_code == 2
    assert f"no Dask scheduler with a worker answers at {wrong}" in " ".join(done.stderr.split())
    assert not out.exists()


def test_dask_needs_a_file(tmp_path: Path) -> None:
    photo = tmp_path / "a.jpg"
    photo.touch()
    done = CliRunner().invoke(main, ["read", str(photo), "--dask", "tcp://127.0.0.1:8786"])
    assert (done.exit_code, "--dask needs --out" in done.stderr) == (2, True)
