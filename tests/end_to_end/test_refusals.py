"""Photos that can't be measured: each gives its own code, a sentence with advice, and status 1."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageFilter, ImageOps

from tests.conftest import SAMPLES, ask, truth

SAMPLE = "flash-without-exif"  # key left of and above the card
LEVEL_SAMPLE = "plastic-head"  # key above card and level with it: one line parts them
APART_SAMPLE = "two-edged-tip-stop-plastic-head"  # the key's head lies well left of the card
ROOM_PX = 60  # left around what stays


def upright(name: str = SAMPLE) -> Image.Image:
    with Image.open(SAMPLES / f"{name}.jpg") as stored:
        return ImageOps.exif_transpose(stored).convert("RGB")


def key_rows(name: str) -> tuple[float, float]:
    (_, top), (_, bottom) = truth(name)["detail"]["key"]["box_px"]
    return top, bottom


def card_corners(name: str) -> np.ndarray:
    return np.array(truth(name)["detail"]["reference"]["outer_corner_px"])


def without_card() -> Image.Image:
    photo = upright(LEVEL_SAMPLE)
    return photo.crop((0, 0, photo.width, int(card_corners(LEVEL_SAMPLE)[:, 1].min() - ROOM_PX)))


def without_key() -> Image.Image:
    photo = upright(LEVEL_SAMPLE)
    return photo.crop((0, int(key_rows(LEVEL_SAMPLE)[1] + ROOM_PX), photo.width, photo.height))


def key_at_the_rim() -> Image.Image:
    """Crop through the key's head, the card left whole."""
    photo = upright(APART_SAMPLE)
    left = card_corners(APART_SAMPLE)[:, 0].min() - 6 * ROOM_PX
    return photo.crop((int(left), 0, photo.width, photo.height))


def card_at_the_rim() -> Image.Image:
    """Crop the card to its left half, the key left whole."""
    photo = upright()
    return photo.crop((0, 0, int(card_corners(SAMPLE)[:, 0].mean()), photo.height))


def out_of_focus() -> Image.Image:
    return upright().filter(ImageFilter.GaussianBlur(6))  # 0.3 mm: the card can still be found


def shaken() -> Image.Image:
    return upright().filter(ImageFilter.BoxBlur(40))  # nothing can be found


def night() -> Image.Image:
    return upright().point(lambda level: level * 0.02)


def thumbnail() -> Image.Image:
    photo = upright()
    photo.thumbnail((640, 640))
    return photo


@pytest.mark.parametrize(
    ("made", "code"),
    [
        (without_card, "no-reference"),
        (without_key, "no-key"),
        (key_at_the_rim, "key-cut-off"),
        (card_at_the_rim, "reference-cut-off"),
        (out_of_focus, "too-blurred"),
        (shaken, "too-blurred"),
        (night, "too-dark"),
        (thumbnail, "too-coarse"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, made: Callable[[], Image.Image], code: str) -> None:
    path = tmp_path / "photo.jpg"
    made().save(path, quality=92)
    answer = ask(path)
    assert answer.status == 1
    assert answer.json["error"]["code"] == code
    assert answer.json["error"]["message"]
    assert answer.json["error"]["advice"]
    assert answer.stderr.count("\n") == 1


@pytest.mark.parametrize("name", ["empty", "text", "half"])
def test_a_file_that_is_no_photo(tmp_path: Path, name: str) -> None:
    photo = (SAMPLES / f"{SAMPLE}.jpg").read_bytes()
    content = {"empty": b"", "text": b"no photo at all\n" * 50, "half": photo[: len(photo) // 2]}[name]
    path = tmp_path / f"{name}.jpg"
    path.write_bytes(content)
    answer = ask(path)
    assert (answer.status, answer.json["error"]["code"]) == (1, "unreadable-file")


def test_a_broken_profile_file(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("format = 1\n")
    answer = ask(SAMPLES / f"{SAMPLE}.jpg", "--profiles", str(tmp_path))
    assert (answer.status, answer.json["error"]["code"]) == (1, "bad-profile")
    assert "broken.toml" in answer.json["error"]["message"]
