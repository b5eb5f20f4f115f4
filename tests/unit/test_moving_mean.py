"""Moving means against SciPy's of the same row: an outside program."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from keyid.moving_mean import moving_mean


@pytest.mark.parametrize("count", [1, 2, 5, 8, 31])
def test_moving_means_are_scipys(count: int) -> None:
    value = np.random.default_rng(count).normal(5.0, 2.0, 20)  # 31 reaches beyond both ends at once
    assert moving_mean(value, count) == pytest.approx(uniform_filter1d(value, count, mode="nearest"), abs=1e-12)
