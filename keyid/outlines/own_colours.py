"""What the photo's own colours tell of the regions: metal, wall and table differ in hue, and a shadow has its table's.

The network knows metals and tables in general.  Which hues this key and this table have, each shows wherever the
network is sure of it, and that decides where it is not: a shadow keeps the hue of what it falls on.  Hues are learnt
and regions told anew in turn (as Rother, Kolmogorov and Blake do in "GrabCut", ACM Transactions on Graphics 23, 2004).
Where all is grey, hues say nothing, and nothing changes.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.outlines.strip import Image
from keyid.photos.light import light_of_codes

ROUNDS = 3  # of learning hues and telling regions: more change nothing
SMOOTHED = 1.2  # samples of the network (0.1 mm): noise and the fringes of a lens have any hue
DARK = 0.002  # light (of 1) that is added to each colour: below it there is only noise
CLIPPED = 0.985  # a colour at its limit tells no hue
BIN = 0.03  # of the logarithm of two colours' ratio: what noise leaves of it
BINS = 64  # to both sides of the middle hue together: from 0.4 to 2.6 times its ratio
SPREAD = 1.0  # bins by which what was seen of a hue is blurred
SURE = 0.8  # probability from which a sample teaches its hue
LEAST_SAMPLES = 200.0  # of a kind: 1.3 mm2
RARE = 0.02  # of all samples, spread over all hues: what may be there unseen
MOST = 3.0  # log odds of metal that a hue may state: the regions' own limit is 4
MOST_OF_WALL = 2.0  # the same of the wall, which mirrors its surroundings


def tell_by_own_colours(logits: Image, picture: Image) -> Image:
    """Weigh in the hue of each sample.

    Parameters
    ----------
    logits : ndarray of float32, shape (5, rows, columns)
        Log probabilities up to a constant: of something else, face, body, wall and plastic.
    picture : ndarray of float32, shape (rows, columns, 3)
        sRGB-coded colour, 0 to 1, in the order blue, green, red.

    Returns
    -------
    ndarray of float32, shape (5, rows, columns)
        The same, with something else and the wall weighed against metal.
    """
    hue, clear = _hues(picture)
    told = logits
    for _ in range(ROUNDS):
        other, face, body, wall, _plastic = probabilities(told)
        of_metal, of_other, of_wall = (_density(hue, share, clear) for share in (face + body, other, wall))
        if of_metal is None or of_other is None:
            return logits
        told = logits.copy()
        told[0] += _odds(of_other / of_metal, MOST)[hue] * clear
        if of_wall is not None:
            told[3] += _odds(of_wall / of_metal, MOST_OF_WALL)[hue] * clear
    return told


def _hues(picture: Image) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """The number of each sample's hue, and where a sample has one; each of shape (rows, columns)."""
    light = cv2.GaussianBlur(light_of_codes(picture), (0, 0), SMOOTHED)
    blue, green, red = np.moveaxis(np.log(light + np.float32(DARK)), 2, 0)
    at = [_bins(ratio) for ratio in (red - green, blue - green)]
    return at[0] * BINS + at[1], picture.max(axis=2) < CLIPPED


def _bins(ratio: Image) -> NDArray[np.intp]:
    """The bin of each sample's ratio of two colours (a logarithm), counted around the middle one."""
    around = np.floor((ratio - np.median(ratio)) / BIN) + BINS // 2
    return np.asarray(np.clip(around, 0, BINS - 1), np.intp)


def probabilities(logits: Image) -> Image:
    """Softmax over the first axis."""
    weight: Image = logits - logits.max(axis=0)
    np.exp(weight, out=weight)
    weight /= weight.sum(axis=0)
    return weight


def _density(hue: NDArray[np.intp], share: Image, clear: NDArray[np.bool_]) -> Image | None:
    """How often each hue is seen (BINS * BINS,) where a region is surely; None where too little of it is."""
    teaches = share * ((share > SURE) & clear)
    total = float(teaches.sum())
    if total < LEAST_SAMPLES:
        return None
    seen = np.bincount(hue.ravel(), teaches.ravel(), BINS**2) / total
    spread = cv2.GaussianBlur(seen.reshape(BINS, BINS), (0, 0), SPREAD).ravel()
    return np.asarray(spread + RARE / BINS**2, np.float32)


def _odds(ratio: Image, most: float) -> Image:
    """Log odds, limited."""
    return np.asarray(np.clip(np.log(ratio), -most, most), np.float32)
