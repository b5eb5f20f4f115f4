"""Bloom is taken off edges of metal at the picture's limit; truth by construction."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from keyid.outlines.bloom import BLOOM_U_PART, BLUR_PX, CAMERA_PX_MM, SHIFT, USUAL_BLUR_PX, bloom_mm, blur_on_blade_mm
from keyid.outlines.lie import LieInputs, place
from keyid.outlines.strip import STEP_MM, Strip, peak_position
from keyid.photos.light import codes_of_light
from keyid.scales.camera import Camera

CAMERA = Camera(3000.0, (2000.0, 1500.0), 0.0, np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 200.0]))
LIE = place(LieInputs(0.0, 2.0, 0.0, 0.0, 0.0), CAMERA.project(np.array([[-15.0, 0.0, 2.0], [15.0, 0.0, 2.0]])), CAMERA)
STATIONS_MM = np.arange(-18.0, -3.0, 0.1)
BLUR_MM = 0.12  # three samples


def strip_of(values: np.ndarray, *, shrunk: bool = False) -> Strip:
    """A strip 14 mm wide of such codes (rows, columns, 3)."""
    rows, columns = values.shape[:2]
    s_mm, v_mm = np.arange(columns) * STEP_MM - 20.0, 7.0 - np.arange(rows) * STEP_MM
    return Strip(values.astype(np.float32), s_mm, v_mm, 20.0, 6.0, LIE, shrunk)


def strip_with(metal: tuple[float, float, float], grain: float = 0.0) -> Strip:
    """A blade 6 mm wide of one colour (blue, green, red) with brush marks so deep across it, on a dark table."""
    values = np.full((350, 550, 3), 0.2)
    marks = grain * np.sin(np.arange(550) * 2 * np.pi * STEP_MM / 0.5)
    values[100:250] = np.clip(np.array(metal) + marks[:, None], 0, 1)
    return strip_of(values)


def taken_off(strip: Strip, side: int = 1) -> np.ndarray:
    """What is taken off the edge at 3 mm to a side, over the blur."""
    at = np.full(len(STATIONS_MM), side * 3.0)
    return bloom_mm(strip, STATIONS_MM, at, (0.0, -side), BLUR_MM) / BLUR_MM


@pytest.mark.parametrize(
    ("metal", "expected"),
    [((1.0, 1.0, 1.0), SHIFT[-1]), ((0.8, 0.99, 1.0), SHIFT[-1]), ((0.5, 0.75, 1.0), 0.0), ((0.6, 0.6, 0.6), 0.0)],
    ids=["white", "brass blown out", "bright brass", "grey"],
)
def test_only_metal_at_the_limit_blooms(metal: tuple[float, float, float], expected: float) -> None:
    for side in (1, -1):
        assert taken_off(strip_with(metal), side) == pytest.approx(expected)


def test_metal_that_shows_grain_was_hardly_too_bright() -> None:
    """In the median it is as white as metal without grain."""
    grained = strip_with((1.0, 1.0, 1.0), grain=0.06)
    assert np.median(grained.values[120:230]) == pytest.approx(1.0, abs=0.01)
    assert (taken_off(grained) < 0.5 * SHIFT[-1]).all()


def test_glare_on_a_part_of_the_edge_blooms_there() -> None:
    values = strip_with((0.6, 0.6, 0.6)).values.copy()
    values[100:250, :250] = 1.0  # up to s = -10
    off = taken_off(strip_of(values))
    assert off[STATIONS_MM < -13] == pytest.approx(SHIFT[-1])
    assert off[STATIONS_MM > -7] == pytest.approx(0.0)


def test_looking_away_from_the_metal_sees_no_bloom() -> None:
    outside = bloom_mm(strip_with((1.0, 1.0, 1.0)), np.array([-10.0]), np.array([3.0]), (0.0, 1.0), BLUR_MM)
    assert outside == pytest.approx(0.0)


@pytest.mark.parametrize("times", [2.0, 3.0, 5.0])
def test_it_is_about_what_a_blurred_edge_is_shifted_by(times: float) -> None:
    """An edge blurred in linear light and cut off at 1: its steepest place lies within two of the stated scatters."""
    light = np.full((350, 550, 3), 0.1, np.float32)
    light[100:250] = times
    blurred = np.clip(cv2.GaussianBlur(light, (0, 0), BLUR_MM / STEP_MM), 0, 1)
    rise = np.gradient(cv2.GaussianBlur(blurred, (0, 0), 1.0)[:175, 275, 0])  # as the picture's pixels average it
    top = int(np.argmax(rise))
    shift = (99.5 - peak_position(rise, top)) * STEP_MM / BLUR_MM
    taken = float(np.median(taken_off(strip_of(codes_of_light(blurred)))))
    assert taken == pytest.approx(shift, abs=2 * BLOOM_U_PART * taken)


def test_a_pixel_shows_the_height_over_the_focal_length() -> None:
    # Pinhole: 198 mm from the camera to the face, 3000 px focal length.
    strip = strip_with((0.5, 0.5, 0.5))
    assert blur_on_blade_mm(strip, CAMERA, 1.0) == pytest.approx(198.0 / 3000.0, rel=1e-3)
    assert blur_on_blade_mm(strip, CAMERA, None) == pytest.approx(USUAL_BLUR_PX * 198.0 / 3000.0, rel=1e-3)


def test_a_rim_that_was_misread_does_not_count() -> None:
    strip = strip_with((0.5, 0.5, 0.5))
    assert blur_on_blade_mm(strip, CAMERA, 9.0) == pytest.approx(BLUR_PX[1] * 198.0 / 3000.0, rel=1e-3)


def test_a_shrunk_picture_keeps_the_blur_of_its_camera() -> None:
    values = strip_with((0.5, 0.5, 0.5)).values
    assert blur_on_blade_mm(strip_of(values, shrunk=True), CAMERA, 2.0) == pytest.approx(USUAL_BLUR_PX * CAMERA_PX_MM)
