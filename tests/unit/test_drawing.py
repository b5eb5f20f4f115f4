"""Drawings to scale: SVG and picture show the same shapes, at the places that the profile's numbers give."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest

from keyid.profiles.library import load_library, shipped_folder
from keyid.profiles.profile import Profile
from keyid.reports.drawing import Drawing, Line, Words, picture, rectangle, svg
from keyid.reports.profile_drawing import PLACE, draw_profile

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def demo() -> dict[str, Profile]:
    return {profile.id: profile for profile in load_library(shipped_folder() / "demo").profiles}


def test_svg_has_true_size_and_escapes_words() -> None:
    hostile = 'a "<script>" & more'
    text = svg(Drawing(40, 30, (Words(1, 2, hostile, 3.0),), hostile))
    root = ElementTree.fromstring(text)
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("40mm", "30mm", "0 0 40 30")
    assert root.get("aria-label") == hostile
    assert [found.text for found in root.iter(f"{SVG}text")] == [hostile]
    assert "<script>" not in text


def test_a_picture_has_the_shapes_at_their_places() -> None:
    drawing = Drawing(20, 10, (Line(rectangle(5, 2, 15, 8), "none", closed=True, fill="#000000"),), "a square")
    dark = np.asarray(picture(drawing, 10.0).convert("L")) < 128
    assert dark.shape == (100, 200)
    rows, columns = np.flatnonzero(dark.any(axis=1)), np.flatnonzero(dark.any(axis=0))
    assert (rows[0], rows[-1], columns[0], columns[-1]) == pytest.approx((20, 79, 50, 149), abs=1)  # Pillow's rounding


def test_a_dashed_line_is_half_ink() -> None:
    drawing = Drawing(50, 4, (Line(((0, 2), (48, 2)), "#000000", 1.0, dash_mm=2.0),), "dashes")
    row = np.asarray(picture(drawing, 10.0).convert("L"))[20]
    assert np.mean(row[:480] < 128) == pytest.approx(0.5, abs=0.03)


@pytest.mark.parametrize("stop", ["shoulder", "tip"])
def test_positions_are_to_scale_from_the_stop(demo: dict[str, Profile], stop: str) -> None:
    profile = replace(demo["harbour-office"], stop=stop)
    drawing = draw_profile(profile)
    scale = int(drawing.title.split("drawn ")[1].split(" to")[0])
    lines = [s for s in drawing.shapes if isinstance(s, Line) and s.colour == PLACE]
    stop_line = next(line for line in lines if not line.dash_mm)
    along = [abs(line.points[0][0] - stop_line.points[0][0]) / scale for line in lines if line.dash_mm]
    assert along == pytest.approx(profile.positions_mm)


@pytest.mark.parametrize("stop", ["shoulder", "tip"])
def test_a_tip_that_the_file_tells_is_drawn_to_scale(demo: dict[str, Profile], stop: str) -> None:
    tip = ((20.0, 8.0), (22.5, 3.0), (21.0, 0.0)) if stop == "shoulder" else ((2.5, 8.0), (0.0, 3.0), (1.5, 0.0))
    profile = replace(demo["harbour-office"], stop=stop, length_mm=22.5, width_mm=8.0, tip_mm=tip)
    drawing = draw_profile(profile)
    scale = int(drawing.title.split("drawn ")[1].split(" to")[0])
    blade = next(shape for shape in drawing.shapes if isinstance(shape, Line) and shape.closed)
    drawn = np.array(blade.points[3:6]) / scale
    assert drawn - drawn[1] == pytest.approx(np.array([[-2.5, -5.0], [0.0, 0.0], [-1.5, 3.0]]))


@pytest.mark.parametrize("length", [None, 12.0, 90.0])
def test_any_length_fits_the_page(demo: dict[str, Profile], length: float | None) -> None:
    profile = replace(demo["ferry-saloon"], length_mm=length, positions_mm=(4.8, 7.4))
    drawing = draw_profile(profile)
    across = [x for s in drawing.shapes if isinstance(s, Line) for x, _ in s.points]
    assert min(across) >= 0
    assert max(across) <= drawing.width_mm


def test_labels_of_close_depths_stay_legible(demo: dict[str, Profile]) -> None:
    drawing = draw_profile(demo["harbour-gate"])  # ten depths 0.38 mm apart
    labels = [s for s in drawing.shapes if isinstance(s, Words) and s.text.endswith(("334.6", "200.0"))]
    places = sorted(s.y for s in drawing.shapes if isinstance(s, Words) and " mm   " in s.text)
    assert len(labels) == 2  # 8.50 and 5.08 mm in thousandths of an inch
    assert min(np.diff(places)) > labels[0].size_mm
