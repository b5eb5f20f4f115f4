"""The rendered sample photos through the command line, against their exact truth (made by construction)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from keyid.identify import examine_together, read
from keyid.readings.cautions import CAUTIONS
from tests.conftest import SAMPLES, Answer, truth

CUT_KEYS = [
    "flash-without-exif",
    "key-on-card",
    "plastic-head",
    "plastic-head-in-the-sun",
    "tip-stop",
    "two-edged",
    "two-edged-tip-stop-plastic-head",
]
READABLE = [*CUT_KEYS, "uncut-blank"]
MANY_U = 4.0  # standard uncertainties: passed by chance once in 16,000 lengths if u is right
TIP_MM = 0.4  # the widest 4 u of a length on these samples

AnswerFor = Callable[[str], Answer]


def off_in_u(stated: dict[str, float], true_mm: float) -> float:
    return abs(stated["value"] - true_mm) / stated["u"]


@pytest.mark.parametrize("name", READABLE)
def test_the_right_blade_comes_first(answer_for: AnswerFor, name: str) -> None:
    answer = answer_for(name)
    assert answer.status == 0, answer.stderr
    assert answer.json["candidates"][0]["profile"] in truth(name)["same_blade"]


@pytest.mark.parametrize("name", READABLE)
def test_stop_edges_and_sizes(answer_for: AnswerFor, name: str) -> None:
    blade, true = answer_for(name).json["blade"], truth(name)
    assert blade["stop"] == true["stop"]
    assert blade["edges"] == (None if true["uncut"] else true["edges"])
    assert off_in_u(blade["width"], true["width_mm"]) < MANY_U
    if blade["stop"] == "shoulder":
        assert off_in_u(blade["length"], true["length_mm"]) < MANY_U


@pytest.mark.parametrize("name", CUT_KEYS)
def test_the_bitting_is_right(answer_for: AnswerFor, name: str) -> None:
    bitting, true = answer_for(name).json["bitting"], truth(name)
    assert bitting["order"] == true["order"]
    assert bitting["code"] == "-".join(cut["code"] for cut in true["cuts"])


@pytest.mark.parametrize("name", CUT_KEYS)
def test_roots_lie_within_their_stated_uncertainty(answer_for: AnswerFor, name: str) -> None:
    cuts = answer_for(name).json["bitting"]["cuts"]
    pairs = [(cut, true) for cut, true in zip(cuts, truth(name)["cuts"], strict=True) if not true["full_height"]]
    assert max(off_in_u(cut["root"], true["root_mm"]) for cut, true in pairs) < MANY_U


@pytest.mark.parametrize("name", READABLE)
def test_the_axis_ends_at_the_tip(answer_for: AnswerFor, name: str) -> None:
    # The foremost metal needn't lie at mid-width: only the distance along the axis counts.
    start, end = np.array(answer_for(name).json["blade"]["axis_px"])
    tip = np.array(truth(name)["detail"]["key"]["points"]["tip"]["px_upper_face"])
    along = (end - start) / np.linalg.norm(end - start)
    assert abs((tip - end) @ along) < TIP_MM * answer_for(name).json["scale"]["px_per_mm"]


@pytest.mark.parametrize("name", READABLE)
def test_the_reading_keeps_its_contract(answer_for: AnswerFor, name: str) -> None:
    answer = answer_for(name)
    made = answer.json
    stated = [c["probability"] for c in made["candidates"]] + [made["others"], made["none_of_these"]]
    assert math.isclose(sum(stated), 1.0, abs_tol=1e-9)
    assert stated[: len(made["candidates"])] == sorted(stated[: len(made["candidates"])], reverse=True)
    assert made["photo"]["file"] == f"{name}.jpg"
    assert made["cautions"][: len(CAUTIONS)] == list(CAUTIONS)  # what the photo lost on its way may follow
    assert all(u > 0 for u in uncertainties(made))
    assert answer.stderr == ""


def uncertainties(part: Any) -> list[float]:  # noqa: ANN401  (JSON of any shape)
    """Every stated uncertainty, wherever it stands."""
    if isinstance(part, dict):
        own = [part["u"]] if "u" in part else []
        return own + [u for inner in part.values() for u in uncertainties(inner)]
    return [u for inner in part for u in uncertainties(inner)] if isinstance(part, list) else []


@pytest.mark.parametrize("name", CUT_KEYS)
def test_there_is_something_to_confirm_by_hand(answer_for: AnswerFor, name: str) -> None:
    confirm = answer_for(name).json["confirm"]
    assert confirm
    assert all(each["tolerance"] > 0 for each in confirm)


def test_two_keys_are_refused(answer_for: AnswerFor) -> None:
    answer = answer_for("two-keys")
    assert (answer.status, answer.json["error"]["code"]) == (1, "several-keys")


def test_a_copy_of_a_photo_is_no_second_look(tmp_path: Path) -> None:
    photo, copy = SAMPLES / "flash-without-exif.jpg", tmp_path / "again.jpg"
    copy.write_bytes(photo.read_bytes())
    alone, twice = read(photo), examine_together([photo, copy]).reading
    assert twice.notes == ("again.jpg is the same photo as flash-without-exif.jpg: it counts once.", *alone.notes)
    assert replace(twice, notes=alone.notes) == alone
