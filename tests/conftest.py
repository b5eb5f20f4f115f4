"""What the end-to-end tests share: the samples with their truth, each read once."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from keyid.commands.cli import main

TOP = Path(__file__).parent.parent
SAMPLES = TOP / "samples"
PROFILES = TOP / "reference_profiles" / "samples"


@dataclass(frozen=True)
class Answer:
    """What the command line gave for one photo with ``--json``."""

    status: int
    json: dict[str, Any]
    stderr: str


def ask(photo: Path, *options: str) -> Answer:
    """Read a photo with the samples' profiles."""
    done = CliRunner().invoke(main, ["read", str(photo), "--json", "--profiles", str(PROFILES), *options])
    return Answer(done.exit_code, json.loads(done.stdout), done.stderr)


def truth(name: str) -> dict[str, Any]:
    """Return the exact truth of a sample."""
    made: dict[str, Any] = json.loads((SAMPLES / f"{name}.json").read_text())
    return made


@cache
def _answer(name: str) -> Answer:
    return ask(SAMPLES / f"{name}.jpg")


@pytest.fixture(scope="session")
def answer_for() -> Callable[[str], Answer]:
    """Return the answer for a sample; each is measured once in a run."""
    return _answer
