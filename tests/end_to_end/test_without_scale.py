"""A rendered sample cropped so that nothing of known size is left, against its exact truth."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.conftest import Answer, ask, truth
from tests.end_to_end.test_refusals import LEVEL_SAMPLE, without_card


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("without") / "key.jpg"
    without_card().save(path, quality=92)
    return path


def check_cuts(answer: Answer) -> None:
    """The code is right, and all lengths lie within four of their standard uncertainties."""
    bitting, true = answer.json["bitting"], truth(LEVEL_SAMPLE)
    assert bitting["code"] == "-".join(cut["code"] for cut in true["cuts"])
    for cut, real in zip(bitting["cuts"], true["cuts"], strict=True):
        for name in ("root", "position"):
            assert abs(cut[name]["value"] - real[f"{name}_mm"]) < 4 * cut[name]["u"]


def test_by_proportions_alone(photo: Path) -> None:
    answer = ask(photo, "--without-scale")
    assert answer.status == 0, answer.stderr
    reading = answer.json
    assert reading["candidates"][0]["profile"] in truth(LEVEL_SAMPLE)["same_blade"]
    check_cuts(answer)
    assert reading["scale"]["reference"] == "none"
    assert "a photo with a card would decide" in reading["notes"][0]
    assert reading["next_measurement"]["what"].startswith("Take the photo again with a bank card")
    assert not any("width" in check["what"] or "length" in check["what"] for check in reading["confirm"])


def test_by_the_width_of_a_told_blank(photo: Path) -> None:
    blank = truth(LEVEL_SAMPLE)["profile"]
    answer = ask(photo, "--without-scale", "--blank", blank)
    assert answer.status == 0, answer.stderr
    check_cuts(answer)
    assert answer.json["scale"]["reference"] == "blank"
    assert answer.json["checked"]["speaks"] == "for"
    assert f"the width of {blank}" in answer.json["notes"][0]
    assert answer.json["blade"]["width"]["u"] > 0.05  # not measured
