"""The camera's own arithmetic.  Checks are identities of projective geometry: common practice, no source."""

import cv2
import numpy as np
import pytest

from keyid.scales.camera import Camera


def camera(k1: float = 0.03, tilt: float = 0.4) -> Camera:
    rotation = cv2.Rodrigues(np.array([np.pi - tilt, 0.0, 0.0]))[0]
    return Camera(3000.0, (2010.0, 1520.0), k1, rotation, np.array([5.0, -10.0, 200.0]))


def test_projection_agrees_with_opencv() -> None:
    points = np.random.default_rng(1).uniform(-60, 60, (50, 3))
    c = camera()
    inner = np.array([[c.focal_px, 0, c.centre_px[0]], [0, c.focal_px, c.centre_px[1]], [0, 0, 1]])
    turn = cv2.Rodrigues(c.rotation)[0]
    theirs = cv2.projectPoints(points, turn, c.translation_mm, inner, np.array([c.k1, 0, 0, 0]))[0].reshape(-1, 2)
    np.testing.assert_allclose(c.project(points), theirs, atol=1e-6)


@pytest.mark.parametrize("k1", [-0.08, 0.0, 0.08])
def test_back_to_the_height_it_came_from(k1: float) -> None:
    plan = np.random.default_rng(2).uniform(-60, 60, (50, 2))
    seen = camera(k1).project(np.column_stack([plan, np.full(50, 2.0)]))
    np.testing.assert_allclose(camera(k1).on_height(seen, 2.0), plan, atol=1e-3)


def test_back_to_a_sloping_plane() -> None:
    normal, offset = np.array([0.1, 0.0, 0.995]), 3.0
    plan = np.random.default_rng(3).uniform(-40, 40, (20, 2))
    points = np.column_stack([plan, (offset - plan @ normal[:2]) / normal[2]])
    np.testing.assert_allclose(camera().on_plane(camera().project(points), normal, offset), points, atol=1e-3)


def test_tilt_and_position() -> None:
    c = camera(tilt=0.4)
    assert c.tilt_deg == pytest.approx(np.degrees(0.4))
    np.testing.assert_allclose(c.rotation @ c.position_mm + c.translation_mm, 0, atol=1e-9)
    assert c.position_mm[2] > 0
