"""Linear light and the sRGB coding of pixels (IEC 61966-2-1).

A lens adds up light, not codes: what a pixel between metal and table shows is a mean of linear light.  So pictures are
resampled and edges located in linear light; in codes they would lie aside.  Software that shrinks a picture, as
messengers do, takes means of codes: then they would lie aside in linear light.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]

CODES = 1 << 16  # steps of linear light that are coded one by one: at most 0.05 grey levels each


def _decode(coded: NDArray[np.floating]) -> Image:
    low = coded / 12.92
    return np.asarray(np.where(coded <= 0.04045, low, ((coded + 0.055) / 1.055) ** 2.4), np.float32)


def _encode(linear: NDArray[np.floating]) -> Image:
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055), np.float32)


_OF_LEVEL = _decode(np.arange(256) / 255)
_OF_LIGHT = _encode(np.linspace(0, 1, CODES))


def light_of_levels(levels: NDArray[np.uint8]) -> Image:
    """Linear light, 0 to 1, of 8-bit grey levels."""
    return np.asarray(cv2.LUT(levels, _OF_LEVEL), np.float32)


def light_of_codes(coded: NDArray[np.floating]) -> Image:
    """Linear light, 0 to 1, of sRGB codes; what lies outside 0 to 1 is clipped."""
    return _decode(np.clip(coded, 0.0, 1.0))


def codes_of_light(linear: NDArray[np.floating]) -> Image:
    """Codes, 0 to 1, of linear light; what lies outside 0 to 1 is clipped."""
    steps = (np.clip(linear, 0.0, 1.0) * np.float32(CODES - 1) + np.float32(0.5)).astype(np.uint16)
    return np.asarray(_OF_LIGHT[steps], np.float32)
