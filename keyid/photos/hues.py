"""Hues: ratios of a picture's colours, which a shadow leaves as they are, and how often each is seen.

The light that a matt surface throws back is the product of its own colour and of the light on it, so that the ratio of
two colours stays the same in the shade of the same light (Finlayson, Hordley and Drew, "Removing shadows from images",
ECCV 2002; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.photos.light import Image, light_of_codes

DARK = 0.002  # light (of 1) that is added to each colour: below it there is only noise
CLIPPED = 0.985  # a colour at its limit tells no hue
BIN = 0.03  # of the logarithm of two colours' ratio: what noise leaves of it
BINS = 64  # to both sides of the middle hue together: from 0.4 to 2.6 times its ratio
SPREAD = 1.0  # bins by which what was seen of a hue is blurred
SURE = 0.8  # probability from which a sample teaches its hue
RARE = 0.02  # of all samples, spread over all hues: what may be there unseen


@dataclass(frozen=True)
class Hues:
    """The hues of a picture.

    Attributes
    ----------
    number : ndarray of int, shape (rows, columns)
        Of each sample's hue, below BINS squared.
    clear : ndarray of bool, shape (rows, columns)
        Where a sample has one.
    """

    number: NDArray[np.intp]
    clear: NDArray[np.bool_]

    def density(self, share: Image, least: float) -> Image | None:
        """How often each hue is seen, (BINS * BINS,), where something surely is; None where that is too little.

        ``share`` is its probability at each sample, (rows, columns), and ``least`` the samples of it that are enough.
        """
        teaches = share * ((share > SURE) & self.clear)
        total = float(teaches.sum())
        if total < least:
            return None
        seen = np.bincount(self.number.ravel(), teaches.ravel(), BINS**2) / total
        spread = cv2.GaussianBlur(seen.reshape(BINS, BINS), (0, 0), SPREAD).ravel()
        return np.asarray(spread + RARE / BINS**2, np.float32)

    def odds(self, of: Image, against: Image, most: float) -> Image:
        """Log odds, (rows, columns), of one density against another by each sample's hue: at most so much."""
        odds = np.clip(np.log(of / against), -most, most).astype(np.float32)
        return np.asarray(odds[self.number] * self.clear, np.float32)


def hues_of(picture: Image, smoothed: float) -> Hues:
    """Hues of a picture of sRGB codes, 0 to 1, blue, green, red, after smoothing by so many samples."""
    light = cv2.GaussianBlur(light_of_codes(picture), (0, 0), smoothed)
    blue, green, red = np.moveaxis(np.log(light + np.float32(DARK)), 2, 0)
    at = [_bins(ratio) for ratio in (red - green, blue - green)]
    return Hues(at[0] * BINS + at[1], picture.max(axis=2) < CLIPPED)


def _bins(ratio: Image) -> NDArray[np.intp]:
    """The bin of each sample's ratio of two colours (a logarithm), counted around the middle one."""
    around = np.floor((ratio - np.median(ratio)) / BIN) + BINS // 2
    return np.asarray(np.clip(around, 0, BINS - 1), np.intp)
