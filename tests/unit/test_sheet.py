"""The measuring sheet: drawn, written as PDF and SVG, found again in pictures of it.

Expected places are the sheet's own layout; the PDF is painted at 600 dots per inch.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.reports import sheet_drawing
from keyid.scales import sheet
from keyid.scales.camera import Camera
from keyid.scales.reference import find_scale
from keyid.scales.sheet_scale import find_markers
from keyid.scales.told import Told
from tests.scene.page import painted
from tests.unit.drawn_scene import SIZE_PX, errors_and_u, photo, plan_of, posed, taken
from tests.unit.test_cli import run

Array = NDArray[np.float64]

DPI = 600
ON_SHEET = Told(reference="sheet")
TEXTURE_PX_MM, TEXTURE_BLUR_PX = 8.0, 0.8
MIDDLE_MM = sheet_drawing.RING_TOP_MM + ((sheet.ROWS - 1) * sheet.PITCH_MM + sheet.MARKER_MM) / 2


def printed(tmp_path: Path, paper: str) -> NDArray[np.uint8]:
    out = tmp_path / "sheet.pdf"
    assert run("sheet", out, "--paper", paper).exit_code == 0
    return painted(out.read_bytes(), DPI)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_printed_sheet_has_its_markers_in_place(tmp_path: Path, paper: str) -> None:
    """Within 0.05 mm, at 600 dots per inch."""
    page = printed(tmp_path, paper)
    number, corners = find_markers(cv2.cvtColor(page, cv2.COLOR_GRAY2BGR))
    assert sorted(number) == list(range(sheet.COUNT))
    seen_mm = (corners + 0.5) * 25.4 / DPI
    width = sheet_drawing.PAPERS_MM["a4" if paper == "a4" else "letter"][0]
    off = seen_mm - sheet.corners_mm()[number] - [width / 2, MIDDLE_MM]
    assert np.abs(off).max() < 0.05


def test_svg_and_pdf_show_the_same_areas(tmp_path: Path) -> None:
    out = tmp_path / "sheet.svg"
    assert run("sheet", out).exit_code == 0
    text = out.read_text()
    assert 'width="210mm"' in text
    areas = [shape for shape in sheet_drawing.draw_sheet("a4").shapes if getattr(shape, "fill", "none") != "none"]
    assert text.count("<polygon") == len(areas) + 1  # and the card's outline


def test_other_endings_are_refused(tmp_path: Path) -> None:
    done = run("sheet", tmp_path / "sheet.png")
    assert done.exit_code == 2
    assert ".pdf or .svg" in done.stderr


def texture() -> NDArray[np.uint8]:
    """The ring of markers on white, TEXTURE_PX_MM pixels to a mm, its middle in the picture's."""
    half = np.array([100.0, 75.0])
    page = np.full((round(2 * half[1] * TEXTURE_PX_MM), round(2 * half[0] * TEXTURE_PX_MM)), 235, np.uint8)
    for number, corners in enumerate(sheet.corners_mm()):
        left, top = np.rint((corners[0] + half) * TEXTURE_PX_MM).astype(int)
        side = round(sheet.MARKER_MM * TEXTURE_PX_MM)
        marker = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(sheet.DICTIONARY), number, sheet.CELLS)
        cells = cv2.resize(marker, (side, side), interpolation=cv2.INTER_NEAREST)
        page[top : top + side, left : left + side] = 25 + cells * (210 / 255)
    return page


def draw(camera: Camera, hidden: bool = False) -> NDArray[np.uint8]:
    """The sheet's ring as a camera sees it."""
    at = ((plan_of(camera, 0.0) * [1.0, -1.0] + [100.0, 75.0]) * TEXTURE_PX_MM - 0.5).astype(np.float32)
    page = cv2.GaussianBlur(texture(), (0, 0), TEXTURE_BLUR_PX)
    picture = cv2.remap(page, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=(90,)).astype(float)
    if hidden:
        picture[: SIZE_PX[1] // 2, : SIZE_PX[0] // 2] = 120.0
    return taken(np.repeat(picture[..., None], 3, axis=2))


@pytest.mark.parametrize(
    ("yaw", "tilt", "k1", "hidden"), [(0, 3, 0.0, False), (40, 20, 0.03, False), (180, 12, -0.03, True)]
)
def test_lengths_on_the_sheet_are_right(yaw: float, tilt: float, k1: float, hidden: bool) -> None:
    """Lengths 60 mm off the field's middle; half of what a card is allowed (0.1 %)."""
    truth = posed(yaw, tilt, k1=k1, distance_mm=210.0, aim_mm=(0.0, 0.0))
    scale = find_scale(photo(draw(truth, hidden)), Told(reference="sheet", bar_mm=100.0))
    error, u = errors_and_u(scale, truth)
    assert scale.reference == "sheet"
    assert np.all(np.abs(error) < 0.001)
    assert np.all(u < 0.004)


def test_the_sheet_shows_focal_length_and_distortion() -> None:
    """Without EXIF: both lenses are fitted, and the markers leave no doubt."""
    truth = posed(40, 25, k1=0.03, distance_mm=200.0, aim_mm=(0.0, 0.0))
    scale = find_scale(photo(draw(truth), f35=None))
    assert (scale.reference, scale.focal) == ("sheet", "estimated")
    assert scale.camera.focal_px == pytest.approx(truth.focal_px, rel=0.01)
    assert scale.camera.k1 == pytest.approx(truth.k1, abs=0.015)
    assert scale.rival is None


def test_a_bar_that_was_measured_corrects_the_printer() -> None:
    truth = posed(40, 10, distance_mm=210.0, aim_mm=(0.0, 0.0))
    picture = photo(draw(truth))
    shrunk, plain = (find_scale(picture, Told(reference="sheet", bar_mm=bar)) for bar in (97.0, None))
    apart = np.linalg.norm(shrunk.camera.position_mm) / np.linalg.norm(plain.camera.position_mm)
    assert apart == pytest.approx(0.97, abs=0.001)


def test_no_sheet_is_said() -> None:
    with pytest.raises(PhotoError, match="No measuring sheet") as caught:
        find_scale(photo(np.full((900, 1200, 3), 120, np.uint8)), ON_SHEET)
    assert caught.value.code == "no-reference"
