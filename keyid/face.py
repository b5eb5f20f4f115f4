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

BINS = 24  # per colour axis: finer than a face's own variation, coarse enough to be filled
SHADES = (1.0, 0.85, 0.7, 0.55, 0.4, 0.25)  # how dark a shadow may make the background (sRGB-coded values)
SHADE_WEIGHTS = np.array([4.0, 1, 1, 1, 1, 1])  # the lit background is seen directly, its shades are only possible
WINDOW_MM = 5.0  # light and metal look alike over that much of the blade
CORE = 0.3  # |v| up to that part of the width belongs to every blade's face
BACKGROUND_FROM_MM = 1.8  # beyond the edge: past the wall of a blade seen aslant
FLOOR = 1e-5  # probability of a colour never seen
LIMIT = 1.5  # one sample's say, so that many must agree
GROOVE_ROW = 2.5  # times the median gradient: rows of a groove's wall
FEW_SAMPLES = 500  # too few to learn colours from


def face_log_ratio(strip: Strip) -> NDArray[np.float32]:
    """Log of the ratio of the probabilities of each sample's colour on the face and off it, limited to +-LIMIT."""
    lit = _colour_bins(strip.values)
    shades = [_colour_bins(strip.values * shade) for shade in SHADES]
    outside = np.abs(strip.v_mm) > strip.width_mm / 2 + BACKGROUND_FROM_MM
    face = _face_samples(strip)
    anything = _density(np.bincount(lit.ravel(), minlength=BINS**3))
    ratio = np.full(lit.shape, -LIMIT, np.float32)
    window = int(WINDOW_MM / STEP_MM)
    for start in range(0, lit.shape[1], window // 2):
        near = slice(max(0, start - window // 2), start + window)
        here = slice(start, start + window // 2)
        samples = lit[:, near][face[:, near]]
        if len(samples) < FEW_SAMPLES:
            samples = lit[face]
        on_face = _density(np.bincount(samples, minlength=BINS**3))
        counts = np.stack([np.bincount(shade[outside, near].ravel(), minlength=BINS**3) for shade in shades])
        off_face = 0.5 * _density(SHADE_WEIGHTS @ counts) + 0.5 * anything
        bins = lit[:, here]
        ratio[:, here] = np.log((on_face[bins] + FLOOR) / (off_face[bins] + FLOOR))
    return np.clip(ratio, -LIMIT, LIMIT)


def _face_samples(strip: Strip) -> NDArray[np.bool_]:
    """Samples of the blade's middle, less the walls of grooves."""
    middle = np.abs(strip.v_mm) < CORE * strip.width_mm
    along = (strip.s_mm > -strip.length_mm) & (strip.s_mm < -1.5)
    steepness = np.median(np.abs(gradients(strip.values)[1].mean(axis=2))[:, along], axis=1)
    smooth = steepness <= GROOVE_ROW * np.median(steepness[middle]) + FLOOR
    return np.asarray((middle & smooth)[:, None] & along[None, :])


def _colour_bins(values: Image) -> NDArray[np.int32]:
    """Index of each sample's bin in a space of brightness and two colour differences."""
    smooth = cv2.GaussianBlur(values, (0, 0), 1.5)
    grey = smooth.mean(axis=2)
    red = (smooth[..., 2] - smooth[..., 1]) * 2 + 0.5
    blue = (smooth[..., 0] - smooth[..., 1]) * 2 + 0.5
    index = [np.clip((axis * BINS).astype(np.int32), 0, BINS - 1) for axis in (grey, red, blue)]
    return np.asarray((index[0] * BINS + index[1]) * BINS + index[2])


def _density(counts: NDArray[Any]) -> NDArray[np.float64]:
    """Smoothed probability per bin."""
    cube = gaussian_filter(counts.reshape(BINS, BINS, BINS).astype(float), 1.0, mode="constant").ravel()
    return np.asarray(cube / max(cube.sum(), FLOOR))
