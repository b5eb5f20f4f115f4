"""Bloom is taken off edges of blown-out metal only; truth by construction."""

from __future__ import annotations

import numpy as np
import pytest

from keyid.outlines.bloom import BLOOM_PX, bloom_px, camera_px_mm
from keyid.outlines.lie import LieInputs, place
from keyid.outlines.strip import STEP_MM, Strip
from keyid.scales.camera import Camera

CAMERA = Camera(3000.0, (2000.0, 1500.0), 0.0, np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 200.0]))
LIE = place(LieInputs(0.0, 2.0, 0.0, 0.0, 0.0), CAMERA.project(np.array([[-15.0, 0.0, 2.0], [15.0, 0.0, 2.0]])), CAMERA)


def strip_with(metal: tuple[float, float, float]) -> Strip:
    """A blade 6 mm wide of one colour (blue, green, red) on a dark table."""
    s_mm = np.arange(-20.0, 3.0, STEP_MM)
    v_mm = np.arange(6.0, -6.0, -STEP_MM)
    values = np.full((len(v_mm), len(s_mm), 3), 0.2, np.float32)
    values[np.abs(v_mm) < 3.0] = metal
    return Strip(values, s_mm, v_mm, 20.0, 6.0, LIE)


@pytest.mark.parametrize(
    ("metal", "expected"),
    [((1.0, 1.0, 1.0), BLOOM_PX), ((0.8, 0.99, 1.0), BLOOM_PX), ((0.7, 0.9, 1.0), 0.0), ((0.6, 0.6, 0.6), 0.0)],
    ids=["white", "brass blown out", "bright brass", "grey"],
)
def test_only_blown_out_metal_blooms(metal: tuple[float, float, float], expected: float) -> None:
    s_mm = np.array([-15.0, -10.0, -5.0])
    assert bloom_px(strip_with(metal), s_mm, np.full(3, 3.0), (0.0, -1.0)) == pytest.approx(expected)
    assert bloom_px(strip_with(metal), s_mm, np.full(3, -3.0), (0.0, 1.0)) == pytest.approx(expected)


def test_looking_away_from_the_metal_sees_no_bloom() -> None:
    outside = bloom_px(strip_with((1.0, 1.0, 1.0)), np.array([-10.0]), np.array([3.0]), (0.0, 1.0))
    assert outside == pytest.approx(0.0)


def test_a_pixel_shows_the_height_over_the_focal_length() -> None:
    # Pinhole: 198 mm from the camera to the face, 3000 px focal length.
    assert camera_px_mm(strip_with((0.5, 0.5, 0.5)), CAMERA) == pytest.approx(198.0 / 3000.0, rel=1e-3)
