"""A picture at a lower resolution, quickly: the coarse searches look at nothing finer."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def coarser(pixels: NDArray[np.uint8], factor: float) -> NDArray[np.uint8]:
    """The picture with ``factor`` times as many rows and columns, for a factor of 1 or less.

    It is halved as often as it can be, by the mean of two by two pixels; means for other factors, which take ten times
    as long, are taken of what is left.  What lies at pixel p comes to factor (p + 0.5) - 0.5.
    """
    while factor <= 0.5:
        pixels = np.asarray(cv2.resize(pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
        factor *= 2
    if factor == 1.0:
        return pixels
    return np.asarray(cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)
