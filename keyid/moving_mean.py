"""Moving means of a row, as `scipy.ndimage.uniform_filter1d` takes them: importing that takes a tenth of a second."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def moving_mean(value: Array, count: int) -> Array:
    """Mean of so many values around each, of an even number one more before it; beyond the ends as at them."""
    before = count // 2
    total = np.cumsum(np.pad(value, (before + 1, count - 1 - before), mode="edge"))
    return np.asarray((total[count:] - total[:-count]) / count)
