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
BODY_MM = 18.0  # from the coarse tip: blade, not head, on every key
HEAD_MARGIN_MM = 3.0  # the coarse place where the blade leaves the head is good to about that
CORE = 0.3  # |v| up to that part of the width belongs to every blade's face
BACKGROUND_FROM_MM = 1.8  # beyond the edge: past the wall of a blade seen aslant
DARK_SUM = 0.1  # added to the sum of the three colours, so that shares mean nothing in the dark
FLOOR = 2e-5  # probability of a colour never seen
UNSEEN_OFF = 4.0  # a colour never seen is that much likelier something else than the face
LIMIT = 1.5  # one sample's say, so that many must agree
GROOVE_ROW = 2.5  # times the median gradient: rows of a groove's wall
METAL_CORE = 0.42  # of the width, to both sides of the axis
METAL_FROM_TIP_MM = (3.0, 10.0)  # before the coarse tip: all metal
PAST_TIP_MM = 1.2  # past the coarse tip: no metal
FEW_SAMPLES = 500  # too few to learn colours from


def face_log_ratio(strip: Strip) -> Image:
    """Log of the ratio of the probabilities of each sample's colour on the face and off it, limited to +-LIMIT."""
    bins, shades = _binned(strip)
    outside = np.abs(strip.v_mm) > strip.half_width_mm + BACKGROUND_FROM_MM
    face = _face_samples(strip)
    ratio = np.full(bins.shape, -LIMIT, np.float32)
    window = int(WINDOW_MM / STEP_MM)
    for start in range(0, bins.shape[1], window // 2):
        near = slice(max(0, start - window // 2), start + window)
        here = slice(start, start + window // 2)
        samples = bins[:, near][face[:, near]]
        if len(samples) < FEW_SAMPLES:
            samples = bins[face]
        ratio[:, here] = _log_ratio(bins, samples, [shade[outside, near].ravel() for shade in shades], here)
    return ratio


def metal_log_ratio(strip: Strip) -> Image:
    """The same near the tip, with the metal of grooves counted as face: they run out through the tip."""
    bins, shades = _binned(strip)
    body = np.abs(strip.v_mm) < METAL_CORE * strip.width_mm
    columns = (strip.s_mm > -METAL_FROM_TIP_MM[1]) & (strip.s_mm < -METAL_FROM_TIP_MM[0])
    off = np.zeros(bins.shape, bool)
    off[:, strip.s_mm > PAST_TIP_MM] = True
    off[np.ix_(np.abs(strip.v_mm) > strip.half_width_mm + BACKGROUND_FROM_MM, strip.s_mm > -METAL_FROM_TIP_MM[1])] = (
        True
    )
    return _log_ratio(bins, bins[np.ix_(body, columns)].ravel(), [shade[off] for shade in shades], slice(None))


def _binned(strip: Strip) -> tuple[NDArray[np.int64], list[NDArray[np.int64]]]:
    """Colour bins of the strip as it is, and as it would be in each shade."""
    centre = np.median(_colours(strip.values[::4, ::4])[1], axis=(0, 1))
    shades = [_colour_bins(strip.values * np.float32(shade), centre) for shade in SHADES]
    return shades[0], shades


def _log_ratio(
    bins: NDArray[np.int64], face: NDArray[np.int64], off_shades: list[NDArray[np.int64]], columns: slice
) -> Image:
    """Limited log ratio of the columns' bins, learned from samples of the face and of what is off it."""
    on_face = _density(np.bincount(face, minlength=CELLS))
    counts = np.stack([np.bincount(shade, minlength=CELLS) for shade in off_shades])
    off_face = 0.5 * _density(SHADE_WEIGHTS @ counts) + 0.5 * _density(np.bincount(bins.ravel(), minlength=CELLS))
    here = bins[:, columns]
    ratio = np.log((on_face[here] + FLOOR) / (off_face[here] + UNSEEN_OFF * FLOOR))
    return np.asarray(np.clip(ratio, -LIMIT, LIMIT), np.float32)


def _face_samples(strip: Strip) -> NDArray[np.bool_]:
    """Samples of the blade's middle, less the walls of grooves."""
    middle = np.abs(strip.v_mm) < CORE * strip.width_mm
    along = (strip.s_mm > HEAD_MARGIN_MM - strip.length_mm) & (strip.s_mm < -1.5)
    steepness = np.median(np.abs(gradients(strip.values)[1].mean(axis=2))[:, along], axis=1)
    smooth = steepness <= GROOVE_ROW * np.median(steepness[middle]) + FLOOR
    return np.asarray((middle & smooth)[:, None] & along[None, :])


def _colour_bins(values: Image, centre: Image) -> NDArray[np.int64]:
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
