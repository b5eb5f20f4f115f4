"""The package's small convolutional networks (ONNX), run by OpenCV."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def answer(file: str, layers: Image) -> Image:
    """What a network of the package says, (classes, rows, columns), to a picture's layers (inputs, rows, columns).

    Rows and columns are multiples of what the network divides its picture by.
    """
    net = _net(file)
    net.setInput(layers[None])
    said: Image = np.asarray(net.forward(), np.float32)[0]
    return said


@cache
def _net(file: str) -> cv2.dnn.Net:
    """A network, read once."""
    stored = np.frombuffer(files("keyid").joinpath(file).read_bytes(), np.uint8)
    net: cv2.dnn.Net = cv2.dnn.readNetFromONNX(stored)
    return net
