"""Many photos: order, going on after an interruption, and photos that end their worker; all by construction."""

from __future__ import annotations

import csv
import json
import os
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from keyid.batch import Processes, find_photos, open_batch, read_one, run, write_table
from keyid.commands.batch import TOLD_REFUSALS
from keyid.commands.cli import main
from keyid.errors import PhotoError
from keyid.profiles.library import Library, load_library
from keyid.scales.coin import coin_named
from keyid.scales.told import Told

LIBRARY = Library(())
ERROR = {"error": {"code": "no-key", "message": "", "advice": ""}}


class AtOnce:
    """A worker that reads when it is told to, and remembers what was under way."""

    jobs = 1

    def __init__(self) -> None:
        """Begin with nothing."""
        self.begun: list[str] = []
        self.most_ahead = 0

    def begin(self, photo: Path) -> Future[dict[str, Any]]:
        """Remember the photo."""
        self.begun.append(photo.name)
        return Future()

    def end(self, photo: Path, begun: Future[dict[str, Any]]) -> dict[str, Any]:
        """Tell the photo's name."""
        self.most_ahead = max(self.most_ahead, len(self.begun) - self.begun.index(photo.name))
        return {**ERROR, "name": photo.name}


def photos(count: int) -> tuple[Path, ...]:
    return tuple(Path(f"{n:03}.jpg") for n in range(count))


def names(out: Path) -> list[str]:
    return [json.loads(line)["reading"]["name"] for line in out.read_text().splitlines()]


def test_results_stand_in_the_order_of_the_photos_and_few_are_under_way(tmp_path: Path) -> None:
    out, worker = tmp_path / "out.jsonl", AtOnce()
    assert len(list(run(open_batch(photos(50), LIBRARY, out), worker))) == 50
    assert names(out) == [photo.name for photo in photos(50)]
    assert worker.most_ahead <= 5
    assert out.stat().st_mode & 0o077 == 0


def test_an_interrupted_run_goes_on_where_it_stopped(tmp_path: Path) -> None:
    out = tmp_path / "out.jsonl"
    for _ in zip(range(7), run(open_batch(photos(20), LIBRARY, out), AtOnce()), strict=False):
        pass
    torn = out.read_bytes()[:-9]
    out.write_bytes(torn)
    batch, worker = open_batch(photos(20), LIBRARY, out), AtOnce()
    assert batch.done == torn.count(b"\n")
    list(run(batch, worker))
    assert names(out) == [photo.name for photo in photos(20)]
    assert worker.begun == [photo.name for photo in photos(20)[batch.done :]]


@pytest.mark.parametrize("content", ["a letter without an end", "a letter\n", '{"photo": "other.jpg"}\n', "[]\n"])
def test_another_file_is_left_alone(tmp_path: Path, content: str) -> None:
    out = tmp_path / "out.jsonl"
    out.write_text(content)
    with pytest.raises(ValueError, match=r"line 1 of out\.jsonl is not the reading of 000\.jpg"):
        open_batch(photos(3), LIBRARY, out)
    assert out.read_text() == content


def test_results_of_other_profiles_or_more_photos_are_not_mixed(tmp_path: Path) -> None:
    out = tmp_path / "out.jsonl"
    list(run(open_batch(photos(3), LIBRARY, out), AtOnce()))
    with pytest.raises(ValueError, match="with these profiles"):
        open_batch(photos(3), load_library(), out)
    with pytest.raises(ValueError, match="any of these photos"):
        open_batch(photos(2), LIBRARY, out)
    with pytest.raises(ValueError, match="and options"):
        open_batch(photos(3), LIBRARY, out, Told(reference="ruler"))
    assert open_batch(photos(3), LIBRARY, out, Told()).done == 3


def deadly(photo: Path, library: Library) -> dict[str, Any]:
    if photo.name == "002.jpg":
        os._exit(9)  # as when the system takes the memory away
    return {**ERROR, "name": photo.name}


def test_a_photo_that_ends_its_process_costs_no_other(tmp_path: Path) -> None:
    out = tmp_path / "out.jsonl"
    with Processes(LIBRARY, 1, deadly) as worker:
        found = list(run(open_batch(photos(8), LIBRARY, out), worker))
    assert [reading.get("name") for reading in found] == [None if n == 2 else f"{n:03}.jpg" for n in range(8)]
    assert "ended the process" in found[2]["error"]["message"]


def test_photos_in_folders_are_found_by_name(tmp_path: Path) -> None:
    for name in ("b.JPG", "a.jpeg", "note.txt", ".hidden.jpg", "sub/c.png"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    given = tmp_path / "note.txt"
    assert find_photos([tmp_path, given]) == (*(tmp_path / n for n in ("a.jpeg", "b.JPG", "sub/c.png")), given)


def test_command_reads_a_folder_and_writes_a_table(tmp_path: Path) -> None:
    folder, out, table = tmp_path / "drawer", tmp_path / "out.jsonl", tmp_path / "out.csv"
    folder.mkdir()
    for n in range(3):
        (folder / f"{n}.jpg").write_text("no photo")
    command = ["read", str(folder), "--out", str(out), "--csv", str(table)]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 0
    told = done.stderr.splitlines()
    assert told[0].startswith("0 read, 3 could not be read: ")
    assert [line.partition(": ")[0] for line in told[1:]] == [str(folder / f"{n}.jpg") for n in range(3)]
    assert all(": This file is damaged or is not a photo. Send the photo as a JPEG" in line for line in told[1:])
    rows = list(csv.DictReader(table.read_text().splitlines()))
    assert [(Path(row["photo"]).name, row["error"]) for row in rows] == [(f"{n}.jpg", "unreadable-file") for n in "012"]
    again = CliRunner().invoke(main, command)
    assert "3 before" in again.stderr
    assert len(out.read_text().splitlines()) == 3


def test_table_holds_what_a_reading_says(tmp_path: Path) -> None:
    reading = {
        "blade": {"width": {"value": 8.5, "u": 0.1}, "length": None},
        "candidates": [{"profile": "pier-5", "probability": 0.9}],
        "none_of_these": 0.1,
        "bitting": {"code": "1-2", "probability": 0.8},
    }
    results, table = tmp_path / "r.jsonl", tmp_path / "r.csv"
    results.write_text(json.dumps({"photo": "a.jpg", "reading": reading}) + "\n")
    write_table(results, table)
    assert table.read_text().splitlines()[1] == "a.jpg,,pier-5,0.9,0.1,1-2,0.8,8.5,"


def test_faults_of_the_program_become_errors(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("broken")

    monkeypatch.setattr("keyid.identify.read", fail)
    assert "RuntimeError: broken" in read_one(Path("a.jpg"), LIBRARY)["error"]["message"]


def test_what_is_told_is_told_of_every_photo(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Told] = []

    def read(*_: object, told: Told, **__: object) -> None:
        asked.append(told)
        raise PhotoError("no-key", "", "")

    monkeypatch.setattr("keyid.identify.read", read)
    told = Told(coin_named("24.26"), "coin")
    assert read_one(Path("a.jpg"), LIBRARY, told)["error"]["code"] == "no-key"
    assert asked == [told]


def test_only_the_first_refusals_are_told(tmp_path: Path) -> None:
    for n in range(TOLD_REFUSALS + 2):
        (tmp_path / f"{n}.jpg").write_text("no photo")
    done = CliRunner().invoke(main, ["read", str(tmp_path), "--out", str(tmp_path / "out.jsonl")])
    told = done.stderr.splitlines()
    assert len(told) == 1 + TOLD_REFUSALS + 1
    assert told[-1].startswith("and 2 more: ")


def test_command_takes_a_coin_for_all_photos_and_does_not_mix_readings_with_others(tmp_path: Path) -> None:
    photo = tmp_path / "a.jpg"
    photo.write_text("no photo")
    command = ["read", str(photo), "--out", str(tmp_path / "out.jsonl")]
    done = CliRunner().invoke(main, [*command, "--coin", "24.26"])
    assert (done.exit_code, "1 could not be read" in done.stderr) == (0, True)
    without = CliRunner().invoke(main, command)
    assert (without.exit_code, "with these profiles and options" in without.stderr) == (2, True)
    pointed = CliRunner().invoke(main, [*command, "--tip", "3,4"])
    assert (pointed.exit_code, "true of all photos" in pointed.stderr) == (2, True)


@pytest.mark.parametrize("options", [["--csv", "t.csv"], ["more"]])
def test_several_photos_need_a_file(tmp_path: Path, options: list[str]) -> None:
    photo = tmp_path / "a.jpg"
    photo.touch()
    arguments = [str(photo) if option == "more" else option for option in options]
    done = CliRunner().invoke(main, ["read", str(photo), *arguments])
    assert done.exit_code == 2
    assert "--out" in done.stderr
