"""The covariance of a pose that hardly anything holds, against a triangle known beforehand."""

import numpy as np

from keyid.pose_fit import root_of_inverse


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
