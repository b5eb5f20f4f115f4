"""Rulers: reading their marks, telling their unit, and posing the camera.

Expected values are the drawn scene's own.  A ruler's thickness isn't seen, so scales are as unsure as that.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.scales.camera import Camera
from keyid.scales.reference import find_scale
from keyid.scales.ruler_marks import read_marks
from keyid.scales.ruler_rhythm import RHYTHMS, Rhythm, decide
from keyid.scales.ruler_search import Row, find_rows
from keyid.scales.told import Told
from tests.unit.drawn_scene import errors_and_u, paint, photo, plan_of, posed, taken

Array = NDArray[np.float64]

TABLE, BODY, MARK, FINGER = (96.0, 120.0, 140.0), (225.0, 225.0, 220.0), (50.0, 45.0, 40.0), (120.0, 150.0, 215.0)
THICKNESS_MM, WIDTH_MM, HALF_MM = 0.7, 22.0, 70.0
SHORTEST_MM, LONGER_MM = 3.0, 1.4  # of the marks: each class is that much longer than the one below
ON_RULER = Told(reference="ruler")
BY_NAME = {rhythm.name: rhythm for rhythm in RHYTHMS}


def draw(
    camera: Camera,
    rhythm: Rhythm,
    hidden_mm: tuple[float, float] = (0.0, 0.0),
    inverted: bool = False,
    stretch: float = 1.0,
    uneven_mm: float = 0.0,
) -> NDArray[np.uint8]:
    """A ruler along x, its marks at the edge y = 0, its body beyond."""
    plan = plan_of(camera, THICKNESS_MM)
    x, y = plan[..., 0], plan[..., 1]
    picture = np.empty((*plan.shape[:2], 3))
    picture[:] = TABLE
    body, mark = (MARK, BODY) if inverted else (BODY, MARK)
    paint(picture, np.max([np.abs(x) - HALF_MM - 4, -y - 0.6, y - WIDTH_MM], axis=0), plan, body)
    step = rhythm.step_mm * stretch
    number = np.rint(x / step)
    level = sum((np.mod(number, every) == 0).astype(float) for every in rhythm.classes)
    width = 0.09 if rhythm.step_mm < 0.6 else 0.12
    outside = np.max(
        [
            np.abs(x - number * step - uneven_mm * np.sin(7 * number)) - width,
            -y,
            y - SHORTEST_MM - LONGER_MM * level,
            np.abs(x) - HALF_MM,
        ],
        axis=0,
    )
    paint(picture, outside, plan, mark)
    paint(picture, np.max([hidden_mm[0] - x, x - hidden_mm[1], np.abs(y) - 30], axis=0), plan, FINGER)
    return taken(picture)


@pytest.mark.parametrize(
    ("yaw", "tilt", "name"),
    [(0, 0, "mm"), (37, 12, "mm"), (90, 25, "mm"), (-130, 20, "1/16 inch"), (170, 15, "half mm"), (20, 5, "1/32 inch")],
)
def test_lengths_beside_a_ruler_are_right_within_their_uncertainty(yaw: float, tilt: float, name: str) -> None:
    f35 = 50.0 if name in ("half mm", "1/32 inch") else 26.0
    truth = posed(yaw, tilt, f35=f35, distance_mm=170.0, aim_mm=(0.0, -10.0))
    scale = find_scale(photo(draw(truth, BY_NAME[name]), f35), ON_RULER)
    error, u = errors_and_u(scale, truth)
    assert (scale.reference, scale.focal) == ("ruler", "exif")
    assert np.all(np.abs(error) < 2 * u)
    assert np.all(u < 0.008)
    assert scale.camera.tilt_deg == pytest.approx(truth.tilt_deg, abs=1.0)


@pytest.mark.parametrize(("hidden_mm", "inverted"), [((-12.0, -7.5), False), ((30.0, 80.0), False), ((0.0, 0.0), True)])
def test_partly_hidden_and_inverted_rulers_are_read(hidden_mm: tuple[float, float], inverted: bool) -> None:
    truth = posed(25, 10, distance_mm=170.0, aim_mm=(0.0, -10.0))
    scale = find_scale(photo(draw(truth, BY_NAME["mm"], hidden_mm, inverted)), ON_RULER)
    error, u = errors_and_u(scale, truth)
    assert np.all(np.abs(error) < 2 * u)


def test_the_halos_that_sharpening_lays_beside_marks_are_no_marks() -> None:
    """Each mark has two halos and a valley between its neighbour's and its own; beside the ruler there is grain."""
    x = np.arange(2400.0)
    grain = cv2.GaussianBlur(np.random.default_rng(1).normal(0, 25, (1, len(x))), (0, 0), 1.5)[0]
    places = 600 + 22.0 * np.arange(60)
    profile = 180 + np.where((x < 590) | (x > 1910), grain, 0.1 * grain)
    for place in places:
        for aside, height, width in ((0, -150, 1.8), (-6, 24, 1.8), (6, 24, 1.8)):
            profile += height * np.exp(-0.5 * ((x - place - aside) / width) ** 2)
    pixels = np.repeat(np.clip(np.rint(profile), 0, 255).astype(np.uint8)[None, :, None], 120, axis=0).repeat(3, axis=2)
    row = Row(
        np.array([1249.0, 60.0]), np.array([1.0, 0.0]), (np.pi / 2, 0.0), (-650.0, 650.0), (-30.0, 30.0), 60.0, 120
    )
    marks = read_marks(pixels, row)
    assert marks is not None
    assert marks.place_px[:, 1, 0] == pytest.approx(places, abs=0.3)


def test_a_ruler_is_found_without_being_told() -> None:
    truth = posed(25, 10, distance_mm=170.0, aim_mm=(0.0, -10.0))
    assert find_scale(photo(draw(truth, BY_NAME["mm"]))).reference == "ruler"


def test_the_thickness_is_carried() -> None:
    """0.4 mm at 170 mm is 0.24 %: that much a photo can't tell."""
    truth = posed(25, 10, distance_mm=170.0, aim_mm=(0.0, -10.0))
    scale = find_scale(photo(draw(truth, BY_NAME["mm"])), ON_RULER)
    thickness = [one for one in scale.variations if one.source == "reference thickness"]
    moved = np.linalg.norm(thickness[0].camera.position_mm) / np.linalg.norm(scale.camera.position_mm) - 1
    assert abs(moved) == pytest.approx(0.0024, rel=0.3)


def test_the_outline_lies_on_the_ruler() -> None:
    truth = posed(25, 10, distance_mm=170.0, aim_mm=(0.0, -10.0))
    outline = find_scale(photo(draw(truth, BY_NAME["mm"])), ON_RULER).outline_px
    y = truth.on_height(outline, THICKNESS_MM)[:, 1]
    assert y.min() == pytest.approx(-0.6, abs=0.4)
    assert y.max() == pytest.approx(WIDTH_MM, abs=0.4)


def test_even_marks_without_a_rhythm_are_unclear() -> None:
    """A comb, a thread gauge, a grille: even, but of no known unit."""
    truth = posed(25, 10, distance_mm=170.0, aim_mm=(0.0, -10.0))
    comb = Rhythm("comb", 1.0, (1000,))
    with pytest.raises(PhotoError, match="millimetres or parts of an inch") as caught:
        find_scale(photo(draw(truth, comb)), ON_RULER)
    assert caught.value.code == "reference-unclear"


@pytest.mark.parametrize(("uneven_mm", "is_ruler"), [(0.06, True), (0.2, False)])
def test_marks_that_are_but_roughly_even_are_no_rulers(uneven_mm: float, is_ruler: bool) -> None:
    """A row of print; the median of 0.06 mm times a sine's absolute value is 0.042 mm, 6 % of a step with 1.4826."""
    truth = posed(25, 10, distance_mm=170.0, aim_mm=(0.0, -10.0))
    picture = photo(draw(truth, BY_NAME["mm"], uneven_mm=uneven_mm))
    if is_ruler:
        assert find_scale(picture, ON_RULER).reference == "ruler"
    else:
        with pytest.raises(PhotoError, match="No ruler can be found"):
            find_scale(picture, ON_RULER)


def test_no_ruler_is_said() -> None:
    picture = np.full((900, 1200, 3), 120, np.uint8)
    with pytest.raises(PhotoError, match="No ruler can be found") as caught:
        find_scale(photo(picture), ON_RULER)
    assert caught.value.code == "no-reference"


@pytest.mark.parametrize("rhythm", RHYTHMS, ids=lambda rhythm: rhythm.name)
@pytest.mark.parametrize("first", [0, 3, 17])
def test_the_rhythm_tells_the_unit(rhythm: Rhythm, first: int) -> None:
    """Every rhythm from any mark on, with ends unsure by 2 % and every tenth mark missing: exact construction."""
    number = np.array([k for k in range(260) if k % 10 != 7])
    level = sum(((number + first) % every == 0).astype(float) for every in rhythm.classes)
    length = (30 + 12 * level) * (1 + 0.02 * np.random.default_rng(first).standard_normal(len(number)))
    decided = decide(number, length)
    assert decided is not None
    assert decided.name == rhythm.name


def test_lengths_without_rhythm_decide_nothing() -> None:
    length = 30 + 2 * np.random.default_rng(1).standard_normal(120)
    assert decide(np.arange(120), length) is None


@pytest.mark.parametrize("grey", [30, 255])
def test_rows_among_dense_lines_are_those_of_the_whole_picture(grey: int) -> None:
    # Exact construction: 80 marks of 24 pixels, 6 apart, on grey; lines 48 apart, as on paper, are no row of marks.
    pixels = np.full((900, 1200, 3), 150, np.uint8)
    pixels[20:880:48] = grey
    assert find_rows(pixels, 1200, only_dense=True) == []
    for number in range(80):
        pixels[700:724, 300 + 6 * number : 302 + 6 * number] = grey
    pixels = np.asarray(cv2.GaussianBlur(pixels, (0, 0), 0.8), np.uint8)  # as every lens does
    whole, dense = (find_rows(pixels, 1200, only_dense=only)[0] for only in (False, True))
    assert dense.count == whole.count >= 150
    assert dense.middle_px == pytest.approx(whole.middle_px, abs=0.5)
    assert dense.ends == pytest.approx(whole.ends, abs=0.5)
