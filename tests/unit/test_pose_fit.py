"""Uncertainty of a pose that hardly anything holds: a triangle known beforehand, and cameras between two."""

import numpy as np
import pytest

from keyid.scales.pose_fit import between, root_of_inverse
from tests.scene import posed_camera


def test_the_triangle_is_found_where_the_normal_matrix_is_singular_to_rounding() -> None:
    """J = Q L^-1 has (J^T J)^-1 = L L^T for any L with a positive diagonal: exact construction."""
    rng = np.random.default_rng(4)
    root = np.tril(rng.normal(size=(6, 6)), -1) + np.diag([1.0, 1e-5, 3e4, 1.0, 2e-6, 1e5])
    q = np.linalg.qr(rng.normal(size=(40, 6)))[0]
    slopes = q @ np.linalg.inv(root)
    assert np.linalg.cond(slopes.T @ slopes) > 1e16  # Cholesky's method fails on its inverse
    found = root_of_inverse(slopes)
    np.testing.assert_allclose(np.triu(found, 1), 0, atol=1e-12)
    np.testing.assert_allclose(np.diag(found), np.diag(root), rtol=1e-3)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 1.0])
def test_cameras_between_a_near_and_a_far_one_see_things_as_large_as_both_do(share: float) -> None:
    """A lens twice as long from twice as far shows the table alike: exact construction."""
    near, far = (posed_camera(1500.0 * k, (800.0, 600.0), distance_mm=150.0 * k, tilt_deg=0.0) for k in (1.0, 2.0))
    middle = between(near, far, share)
    table = np.array([[-20.0, 5.0, 0.0], [30.0, 0.0, 0.0], [0.0, 40.0, 0.0]])
    np.testing.assert_allclose(middle.project(table), near.project(table), atol=1e-6)
    assert middle.focal_px == pytest.approx(1500.0 * 2**share)


def test_the_ends_between_two_cameras_are_the_cameras() -> None:
    one = posed_camera(1500.0, (800.0, 600.0), distance_mm=150.0, tilt_deg=8.0, azimuth_deg=20.0)
    other = posed_camera(2900.0, (800.0, 600.0), distance_mm=310.0, tilt_deg=14.0, azimuth_deg=25.0)
    points = np.array([[-20.0, 5.0, 0.0], [30.0, 0.0, 2.0], [0.0, 40.0, 2.0]])
    np.testing.assert_allclose(between(one, other, 0.0).project(points), one.project(points), atol=1e-6)
    np.testing.assert_allclose(between(one, other, 1.0).project(points), other.project(points), atol=1e-6)
