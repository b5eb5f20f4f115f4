"""Which samples of the straightened blade look like its upper face.

The face's colours are learned from the middle of the blade, the background's from beyond its edges (also in the
shade, for a shadow is the background with less light), both in windows along the blade, because light changes along it.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from keyid.strip import STEP_MM, Image, Strip, gradients

Array = NDArray[np.float64]

BINS = (20, 48, 48)  # of brightness, and of two differences of colour shares, which a shadow hardly changes
CELLS = BINS[0] * BINS[1] * BINS[2]
SHARE_BIN = 0.005  # of a colour's share: nickel differs from a white table's shadow by a few of them
SHADES = (1.0, 0.85, 0.7, 0.55, 0.4, 0.25)  # how dark a shadow may make the background (sRGB-coded values)
SHADE_WEIGHTS = np.array([4.0, 1, 1, 1, 1, 1])  # the lit background is seen directly, its shades are only possible
WINDOW_MM = 5.0  # light and metal look alike over that much of the blade
CORE = 0.3  # |v| up to that part of the width belongs to every blade's face
BACKGROUND_FROM_MM = 1.8  # beyond the edge: past the wall of a blade seen aslant
DARK_SUM = 0.1  # added to the sum of the three colours, so that shares mean nothing in the dark
FLOOR = 2e-5  # probability of a colour never seen
UNSEEN_OFF = 4.0  # a colour never seen is that much likelier something else than the face
LIMIT = 1.5  # one sample's say, so that many must agree
GROOVE_ROW = 2.5  # times the median gradient: rows of a groove's wall
FEW_SAMPLES = 500  # too few to learn colours from


def face_log_ratio(strip: Strip) -> NDArray[np.float32]:
    """Log of the ratio of the probabilities of each sample's colour on the face and off it, limited to +-LIMIT."""
    centre = np.median(_colours(strip.values[::4, ::4])[1], axis=(0, 1))
    lit = _colour_bins(strip.values, centre)
    shades = [_colour_bins(strip.values * np.float32(shade), centre) for shade in SHADES]
    outside = np.abs(strip.v_mm) > strip.width_mm / 2 + BACKGROUND_FROM_MM
    face = _face_samples(strip)
    anything = _density(np.bincount(lit.ravel(), minlength=CELLS))
    ratio = np.full(lit.shape, -LIMIT, np.float32)
    window = int(WINDOW_MM / STEP_MM)
    for start in range(0, lit.shape[1], window // 2):
        near = slice(max(0, start - window // 2), start + window)
        here = slice(start, start + window // 2)
        samples = lit[:, near][face[:, near]]
        if len(samples) < FEW_SAMPLES:
            samples = lit[face]
        on_face = _density(np.bincount(samples, minlength=CELLS))
        counts = np.stack([np.bincount(shade[outside, near].ravel(), minlength=CELLS) for shade in shades])
        off_face = 0.5 * _density(SHADE_WEIGHTS @ counts) + 0.5 * anything
        bins = lit[:, here]
        ratio[:, here] = np.log((on_face[bins] + FLOOR) / (off_face[bins] + UNSEEN_OFF * FLOOR))
    return np.clip(ratio, -LIMIT, LIMIT)


def _face_samples(strip: Strip) -> NDArray[np.bool_]:
    """Samples of the blade's middle, less the walls of grooves."""
    middle = np.abs(strip.v_mm) < CORE * strip.width_mm
    along = (strip.s_mm > -strip.length_mm) & (strip.s_mm < -1.5)
    steepness = np.median(np.abs(gradients(strip.values)[1].mean(axis=2))[:, along], axis=1)
    smooth = steepness <= GROOVE_ROW * np.median(steepness[middle]) + FLOOR
    return np.asarray((middle & smooth)[:, None] & along[None, :])


def _colour_bins(values: Image, centre: Array) -> NDArray[np.int64]:
    """Index of each sample's bin in a space of brightness and two differences of colour shares."""
    grey, shares = _colours(values)
    index = np.clip(np.floor((shares - centre) / SHARE_BIN) + BINS[1] // 2, 0, BINS[1] - 1).astype(np.int64)
    level = np.clip((grey * BINS[0]).astype(np.int64), 0, BINS[0] - 1)
    return np.asarray((level * BINS[1] + index[..., 0]) * BINS[2] + index[..., 1])


def _colours(values: Image) -> tuple[Image, Image]:
    """Brightness, and red less green and blue less green as shares of the whole, (rows, columns, 2)."""
    smooth = cv2.GaussianBlur(values, (0, 0), 1.5)
    whole = smooth.sum(axis=2) + DARK_SUM
    shares = np.stack([smooth[..., 2] - smooth[..., 1], smooth[..., 0] - smooth[..., 1]], axis=-1)
    return np.asarray(smooth.mean(axis=2), np.float32), np.asarray(shares / whole[..., None], np.float32)


def _density(counts: NDArray[Any]) -> Array:
    """Smoothed probability per bin."""
    cube = gaussian_filter(counts.reshape(BINS).astype(float), 1.0, mode="constant", truncate=2.0).ravel()
    return np.asarray(cube / max(cube.sum(), FLOOR))
