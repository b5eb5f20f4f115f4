"""The examples in the help of every command do what they say when they are pasted in the project's folder."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from keyid.commands.cli import main
from tests.unit.test_cli import commands

ROOT = Path(__file__).parents[2]
SAMPLES = ("key-on-card.jpg", "plastic-head.jpg", "flash-without-exif.jpg", "uncut-blank.jpg")
ASKING = ("keyid profiles add quay.toml",)  # asks line by line: see tests of `keyid profiles add`
WRITTEN = (".png", ".html", ".jsonl", ".csv", ".svg", ".pdf", ".toml", ".json")
SERVING = ("keyid page", "keyid page --lan")  # go on until they are stopped: see test_page_serve.py


def examples() -> list[list[str]]:
    """The lines of each command's examples."""
    helps = (str(command.help).partition("\b")[2].splitlines() for command in commands().values())
    told = [[line.strip() for line in lines if line.startswith("      keyid ")] for lines in helps]
    return [[line for line in lines if line not in ASKING + SERVING] for lines in told]


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with what the project's folder has, to write into."""
    (tmp_path / "samples").mkdir()
    for name in SAMPLES:
        (tmp_path / "samples" / name).symlink_to(ROOT / "samples" / name)
    (tmp_path / "reference_profiles").symlink_to(ROOT / "reference_profiles")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("lines", [lines for lines in examples() if lines], ids=lambda lines: lines[0])
def test_the_examples_work(here: Path, lines: list[str]) -> None:
    for line in lines:
        command, _, target = line.partition(" > ")
        done = CliRunner().invoke(main, shlex.split(command)[1:], prog_name="keyid")
        assert done.exit_code == 0, done.output
        if target:
            (here / target).write_text(done.stdout, encoding="utf-8")
        written = [word for word in shlex.split(command) if word.endswith(WRITTEN)]
        assert all((here / name).stat().st_size > 0 for name in written)


def test_the_answer_in_the_readme_is_the_real_one() -> None:
    shown = (ROOT / "README.md").read_text(encoding="utf-8").partition("real output")[2].split("```\n")[1]
    done = CliRunner().invoke(main, ["read", str(ROOT / "samples" / "flash-without-exif.jpg")])
    assert done.stdout == shown
