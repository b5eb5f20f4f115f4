"""What is told of how a photo was sent; costs are worked out by hand."""

from dataclasses import replace

import numpy as np
import pytest

from keyid.blades.blade import BudgetLine
from keyid.photos.frame import Frame
from keyid.photos.photo import Photo
from keyid.readings.remark import Remark
from keyid.readings.sending import Sending, sending_of, way_of
from keyid.reports.text import limiting, reading_text
from tests.unit.example_examination import blade, examination
from tests.unit.example_reading import reading

SEEN = examination().scale


def photo(width: int, height: int, focal: float | None = None, whole: bool = True) -> Photo:
    return Photo("key.jpg", "", np.zeros((height, width, 3), np.uint8), focal, whole)


def test_the_way_shows_in_size_and_exif() -> None:
    assert way_of(photo(4032, 3024, 26.0), SEEN) is None
    assert way_of(photo(1600, 1200, 26.0), SEEN) is None  # an old camera's own photo
    assert way_of(photo(1600, 1200), SEEN) == "shrunk"
    assert way_of(photo(4032, 3024), SEEN) == "bare"
    assert way_of(photo(2100, 1700, whole=False), SEEN) == "cropped"
    assert way_of(photo(2048, 1536, 26.0), replace(SEEN, cropped=True)) == "cropped"
    assert way_of(replace(photo(1080, 810), frame=Frame(0, 765, 1080, 2340)), SEEN) == "screenshot"


def test_a_small_photo_that_tells_no_camera_may_have_been_shrunk() -> None:
    assert photo(2048, 1536).looks_shrunk
    assert not photo(2048, 1536, 26.0).looks_shrunk
    assert not photo(4032, 3024).looks_shrunk  # its pixels are the camera's, from however far it was taken


def test_the_cost_is_what_the_original_would_take_away() -> None:
    """0.03 and 0.04 mm of the lens; at 7 px/mm an edge to 0.35 px is 0.05 mm, 2.5 times the pixels would leave 0.02."""
    lines = (("focal length", 0.03), ("principal point", 0.04), ("height", 0.2))
    measured = replace(blade(), budget=tuple(BudgetLine(source, 0, 0, mm, 0, 0) for source, mm in lines))
    shrunk = sending_of(photo(1600, 1200), SEEN, measured, 7.0, 0.5)
    assert shrunk is not None
    assert shrunk.cost_mm == pytest.approx(np.sqrt(0.03**2 + 0.04**2 + 0.05**2 - 0.02**2))
    cropped = sending_of(photo(1600, 1300, whole=False), SEEN, measured, 7.0, 0.5)
    assert cropped is not None
    assert cropped.cost_mm == pytest.approx(0.05)  # a crop takes no pixels away
    assert sending_of(photo(4032, 3024, 26.0), SEEN, measured, 22.0, 0.5) is None


def test_the_words_tell_the_cost_in_mm_and_in_depth_steps() -> None:
    words = Sending("cropped", 0.08, 0.4).words
    assert "cropped" in words
    assert "0.08 mm, 0.2 of a depth step" in words
    assert "as a file, not as a picture" in words
    assert "0.03 mm, 0.05 of a depth step" in Sending("bare", 0.03, 0.6).words
    assert "depth step" not in Sending("cropped", 0.08, None).words


def test_what_is_not_worth_a_word_is_not_told() -> None:
    fine = replace(blade(), budget=(BudgetLine("focal length", 0, 0, 0.01, 0, 0),))
    assert sending_of(photo(4032, 3024), SEEN, fine, 22.0, 0.5) is None  # 0.01 mm


def test_a_reading_says_it_before_all_else_and_in_its_cautions() -> None:
    sending = Sending("screenshot", 0.08, 0.4)
    limited = replace(reading(), sending=sending)
    assert reading_text(limited).startswith("Photo     Get a better one. Worst: this is a screenshot (0.08 mm).")
    assert "Ask for the original, sent as a file" in " ".join(reading_text(limited).split())
    assert limited.to_json()["cautions"][-1] == sending.words


def test_what_the_original_would_mend_is_told_once() -> None:
    remarks = (Remark(0.05, "The photo was cropped.", "Send the original.", lost=True), Remark(0.04, "It is dark.", ""))
    limited = replace(reading(), sending=Sending("cropped", 0.03, 0.4), remarks=remarks)
    assert [one.what for one in limiting(limited)] == ["It is dark.", "This photo was cropped or altered."]
