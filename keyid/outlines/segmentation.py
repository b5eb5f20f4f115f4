"""What each sample of the straightened blade shows: the upper face, the rest of the key, its wall, or something else.

Shade, groove walls and reflections may have any colour, so no rule on colours or on single edges tells the face from
its surroundings.  A small convolutional network of encoder and decoder (Ronneberger, Fischer and Brox, "U-Net:
Convolutional networks for biomedical image segmentation", MICCAI 2015) sees a few millimetres around each sample, and
which way the blade's wall is seen.  It says *which* edge is the rim; *where* that edge lies is measured in the photo.
`own_colours` adds what this photo's own hues tell.  How it is trained is told in ``tests/training``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.network import answer, probabilities, read_network
from keyid.outlines.own_colours import tell_by_own_colours
from keyid.outlines.strip import Image, Strip
from keyid.scales.camera import Camera

NET_FILE = "outlines/segmentation.onnx"
MULTIPLE = 32  # the network halves its picture five times
SHRINK = 2  # strip samples per sample of the network: 0.08 mm, which it was trained with
WALL_AT_MM = -8.0  # before the tip: the wall's direction there stands for the whole blade
ODDS_LIMIT = 4.0  # log odds that a single sample may state


@dataclass(frozen=True)
class Regions:
    """Probabilities of what each sample of a strip shows, each of shape (rows, columns); the rest is something else.

    Attributes
    ----------
    face : ndarray of float32
        The blade's upper face, from the stop (or the head) to the tip.
    body : ndarray of float32
        Collar and head of metal.
    wall : ndarray of float32
        The blade's side.
    plastic : ndarray of float32
        Head of plastic.
    metal_alone : ndarray of float32
        Face or body as the network tells them alone, before the photo's own colours were weighed in.
    """

    face: Image
    body: Image
    wall: Image
    plastic: Image
    metal_alone: Image

    @cached_property
    def face_odds(self) -> Image:
        """Log odds of the blade's upper face."""
        return _log_odds(self.face)

    @cached_property
    def metal_odds(self) -> Image:
        """Log odds of the upper side of blade, collar or metal head."""
        return _log_odds(self.face + self.body)

    @cached_property
    def metal_odds_alone(self) -> Image:
        """Log odds of the same as the network tells them alone."""
        return _log_odds(self.metal_alone)


def segment(strip: Strip, camera: Camera) -> Regions:
    """Tell the regions of a straightened blade."""
    rows, columns = (size // SHRINK for size in strip.values.shape[:2])
    small = cv2.resize(
        np.clip(strip.values[: rows * SHRINK, : columns * SHRINK], 0, 1), (columns, rows), interpolation=cv2.INTER_AREA
    )
    below, before = -rows % MULTIPLE, -columns % MULTIPLE
    framed = cv2.copyMakeBorder(small, 0, below, before, 0, cv2.BORDER_REPLICATE)
    wall = strip.lie.wall(np.array([[WALL_AT_MM, 0.0]]), camera)[0]
    mirrored = _logits(framed[::-1], wall * [1.0, -1.0])[:, ::-1]
    alone = 0.5 * (_logits(framed, wall) + mirrored)[:, :rows, before:]
    logits = tell_by_own_colours(alone, np.asarray(small, np.float32))
    shape = strip.values.shape[:2]
    share = probabilities(np.stack([_enlarged(layer, shape) for layer in logits]))
    metal = _enlarged(np.asarray(probabilities(alone)[1:3].sum(axis=0)), shape)
    return Regions(face=share[1], body=share[2], wall=share[3], plastic=share[4], metal_alone=metal)


def _logits(picture: NDArray[Any], wall: NDArray[np.float64]) -> Image:
    """The network's answer, (classes, rows, columns).  A blade and its mirror image are asked for alike."""
    blob = np.empty((5, *picture.shape[:2]), np.float32)
    blob[:3] = picture.transpose(2, 0, 1) - 0.5
    blob[3:] = wall[:, None, None]
    return answer(_net(), blob)


@cache
def _net() -> cv2.dnn.Net:
    """The network, read once: a photo asks it several times."""
    return read_network(NET_FILE)


def _enlarged(layer: Image, shape: tuple[int, ...]) -> Image:
    """A layer of the network on the strip's own samples."""
    whole = cv2.resize(layer, (layer.shape[1] * SHRINK, layer.shape[0] * SHRINK), interpolation=cv2.INTER_LINEAR)
    missing = ((0, shape[0] - whole.shape[0]), (0, shape[1] - whole.shape[1]))
    return np.asarray(np.pad(whole, missing, mode="edge"), np.float32)


def _log_odds(share: Image) -> Image:
    """Log odds of a probability, limited."""
    floor = np.float32(1 / (1 + np.exp(ODDS_LIMIT)))
    share = np.clip(share, floor, 1 - floor)
    return np.asarray(np.log(share / (1 - share)), np.float32)
