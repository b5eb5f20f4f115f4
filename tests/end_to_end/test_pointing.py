"""Sample photos that are refused, or whose stop is hidden, and what pointing makes of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageOps

from tests.conftest import SAMPLES, ask, truth

FINGER, FINGER_MM = (196, 150, 126), 5.0
MANY_U = 4.0  # standard uncertainties: passed by chance once in 16,000 lengths if u is right


def at(name: str, feature: str) -> str:
    x, y = truth(name)["detail"]["key"]["points"][feature]["px_upper_face"]
    return f"{x:.0f},{y:.0f}"


def test_of_two_keys_the_one_pointed_at_is_read() -> None:
    answer = ask(SAMPLES / "two-keys.jpg", "--key", at("two-keys", "tip"))
    assert answer.status == 0, answer.stderr
    assert answer.json["candidates"][0]["profile"] in truth("two-keys")["same_blade"]
    read, true = answer.json["bitting"]["cuts"], truth("two-keys")["cuts"]
    right = [cut["code"] == cut_true["code"] for cut, cut_true in zip(read, true, strict=True)]
    assert right.count(False) <= 1  # its blade is seen from 25 degrees aside
    assert all(is_right or cut["probability"] < 0.95 for cut, is_right in zip(read, right, strict=True))
    assert answer.json["pointed"] == [{"what": "key", "u": None}]


def test_a_shoulder_under_a_finger_is_measured_from_where_it_was_pointed_at(tmp_path: Path) -> None:
    name, covered = "flash-without-exif", tmp_path / "covered.png"
    true = truth(name)
    points = true["detail"]["key"]["points"]
    stop, tip = (np.array(points[feature]["px_upper_face"]) for feature in ("shoulder_edge_A", "tip"))
    radius = FINGER_MM * float(np.linalg.norm(tip - stop)) / true["length_mm"]
    middle = stop - 0.85 * radius * (tip - stop) / np.linalg.norm(tip - stop)
    with Image.open(SAMPLES / f"{name}.jpg") as stored:
        picture = ImageOps.exif_transpose(stored).convert("RGB")
    ImageDraw.Draw(picture).ellipse([*(middle - radius), *(middle + radius)], fill=FINGER)
    picture.save(covered)
    alone, helped = ask(covered), ask(covered, "--stop", at(name, "shoulder_edge_A"))
    assert alone.json["blade"]["stop"] != "shoulder"
    blade = helped.json["blade"]
    assert (blade["stop"], blade["edges"]) == ("shoulder", 1)
    assert abs(blade["length"]["value"] - true["length_mm"]) < MANY_U * blade["length"]["u"]
    assert helped.json["candidates"][0]["profile"] in true["same_blade"]
    assert helped.json["bitting"]["code"] == "-".join(cut["code"] for cut in true["cuts"])
    assert [fact["what"] for fact in helped.json["pointed"]] == ["stop"]
