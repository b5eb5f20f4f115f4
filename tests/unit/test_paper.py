"""Finding a sheet of paper and posing the camera, on sheets drawn ray by ray: every true length is the scene's own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

from keyid.commands.cli import main
from keyid.errors import PhotoError
from keyid.scales.camera import Camera
from keyid.scales.paper import PAPERS, Paper
from keyid.scales.pointed import Pointed
from keyid.scales.reference import find_scale
from keyid.scales.told import Told
from tests.conftest import SAMPLES
from tests.unit.drawn_scene import SIZE_PX, errors_and_u, paint, photo, plan_of, posed, taken

Array = NDArray[np.float64]

TABLE, SHEET, FINGER = (96.0, 120.0, 140.0), (225.0, 228.0, 230.0), (120.0, 150.0, 215.0)
A4, LETTER = PAPERS["a4"], PAPERS["letter"]


def view(paper: Paper, yaw: float, tilt: float, k1: float = 0.0) -> Camera:
    """A camera that sees the whole sheet."""
    return posed(yaw, tilt, k1=k1, distance_mm=1.35 * paper.long_mm, aim_mm=(0.0, 0.0))


def draw(camera: Camera, paper: Paper, hidden_mm: float = 0.0) -> NDArray[np.uint8]:
    """A sheet on a table; a finger may hide a part of a long side, and a dark thing lies on the sheet."""
    plan = plan_of(camera, 0.1)
    picture = np.empty((*SIZE_PX[::-1], 3))
    picture[:] = TABLE
    half = np.array([paper.long_mm, paper.short_mm]) / 2
    paint(picture, (np.abs(plan) - half).max(axis=-1), plan, SHEET)
    paint(picture, (np.abs(plan - [15.0, 20.0]) - [30.0, 4.0]).max(axis=-1), plan, (90.0, 95.0, 100.0))
    paint(picture, (np.abs(plan - [-30.0, -half[1]]) - [hidden_mm, 12.0]).max(axis=-1), plan, FINGER)
    return taken(picture)


@pytest.mark.parametrize(
    ("name", "yaw", "tilt", "k1", "hidden_mm"),
    [("a4", 3, 0, 0.0, 0), ("a4", 60, 14, 0.02, 0), ("a5", -100, 20, 0.0, 20), ("letter", 170, 8, -0.02, 30)],
)
def test_lengths_on_a_sheet_are_right_within_their_uncertainty(
    name: str, yaw: float, tilt: float, k1: float, hidden_mm: float
) -> None:
    paper = PAPERS[name]
    truth = view(paper, yaw, tilt, k1)
    scale = find_scale(photo(draw(truth, paper, hidden_mm)), Told(paper=paper))
    error, u = errors_and_u(scale, truth)
    assert scale.reference == "paper"
    assert np.all(np.abs(error) < 2 * u)
    assert np.all(np.abs(error) < 0.004)  # the drawn sheet has its nominal size; sides are seen at 3 pixels per mm
    assert np.all((u > 0.003) & (u < 0.015))  # what the standard allows of a side is 0.4 %


def test_the_outline_lies_on_the_sheet() -> None:
    truth = view(A4, 20.0, 10.0)
    outline = find_scale(photo(draw(truth, A4)), Told(paper=A4)).outline_px
    on_top = np.abs(truth.on_height(outline, 0.1))
    assert np.abs(on_top - [A4.long_mm / 2, A4.short_mm / 2]).max() < 0.6


@pytest.mark.parametrize(("laid", "told"), [(A4, LETTER), (LETTER, A4)])
def test_a_sheet_of_other_proportions_is_said(laid: Paper, told: Paper) -> None:
    picture = photo(draw(view(laid, 10.0, 8.0), laid))
    with pytest.raises(PhotoError, match=f"not the proportions of {told.name}") as caught:
        find_scale(picture, Told(paper=told))
    assert caught.value.code == "reference-unclear"


def test_a_sheet_of_untold_size_is_asked_for() -> None:
    with pytest.raises(PhotoError, match="sheet of paper seems to be the only thing") as caught:
        find_scale(photo(draw(view(A4, 10.0, 8.0), A4)))
    assert (caught.value.code, "--paper" in caught.value.advice) == ("reference-unclear", True)


def test_no_sheet_is_said() -> None:
    with pytest.raises(PhotoError, match="No sheet of paper") as caught:
        find_scale(photo(np.full((*SIZE_PX[::-1], 3), 120, np.uint8)), Told(paper=A4))
    assert caught.value.code == "no-reference"


def test_a_sheet_with_a_corner_out_of_the_picture_is_not_measured() -> None:
    camera = view(A4, 10.0, 8.0)
    aside = replace(camera, translation_mm=camera.translation_mm + np.array([170.0, 0.0, 0.0]))
    with pytest.raises(PhotoError, match="sheet of paper"):
        find_scale(photo(draw(aside, A4)), Told(paper=A4))


def test_corners_pointed_at_are_measured_by_the_sides_near_them() -> None:
    truth = view(A4, 25.0, 12.0)
    half = np.array([A4.long_mm, A4.short_mm, 0.0]) / 2
    corners = truth.project(np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * half + [0, 0, 0.1])
    one, two, three, four = (corners + np.array([[2, -3], [-3, 1], [0, 3], [3, 2]])).tolist()
    pointed = Pointed((tuple(one), tuple(two), tuple(three), tuple(four)))  # type: ignore[arg-type]
    shown, blank = photo(draw(truth, A4)), photo(np.full((*SIZE_PX[::-1], 3), 120, np.uint8))
    by_sides, by_hand = (find_scale(each, Told(paper=A4, pointed=pointed)) for each in (shown, blank))
    assert not any(one.source == "pointing" for one in by_sides.variations)
    assert any(one.source == "pointing" for one in by_hand.variations)
    for scale in (by_sides, by_hand):
        error, u = errors_and_u(scale, truth)
        assert np.all(np.abs(error) < 2.5 * u)


def test_the_size_has_to_be_told_on_the_command_line() -> None:
    done = CliRunner().invoke(main, ["look", str(SAMPLES / "two-edged.jpg"), "--reference", "paper"])
    assert (done.exit_code, "--paper" in done.stderr) == (2, True)
