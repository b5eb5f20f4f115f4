"""Valleys against SciPy's peaks of the same row turned over: an outside program."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from keyid.valleys import find_valleys


@pytest.mark.parametrize("seed", range(40))
def test_valleys_are_scipys_peaks_turned_over(seed: int) -> None:
    rng = np.random.default_rng(seed)
    height = np.cumsum(rng.normal(0, 1, 300))
    if seed % 2:
        height = np.round(height)  # level stretches, and valleys of equal height
    depth, apart = float(rng.uniform(0, 4)), int(rng.integers(1, 40))
    expected, facts = find_peaks(-height, prominence=depth, distance=apart)
    assert len(find_valleys(height, 0.0)[0]) > 20
    found, depths = find_valleys(height, depth, apart)
    assert found.tolist() == expected.tolist()
    assert depths == pytest.approx(facts["prominences"])


def test_ends_are_no_valleys() -> None:
    assert find_valleys(np.array([0.0, 1.0, 2.0]), 0.0)[0].tolist() == []
    assert find_valleys(np.array([2.0, 1.0, 1.0]), 0.0)[0].tolist() == []
    assert find_valleys(np.array([2.0, 1.0, 1.0, 1.0, 2.0]), 1.0)[0].tolist() == [2]
