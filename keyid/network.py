"""The package's small convolutional networks (ONNX), run by OpenCV."""

from __future__ import annotations

from importlib.resources import files

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


def read_network(file: str) -> cv2.dnn.Net:
    """A network of the package.  It holds the memory of all its layers from its first answer until it is dropped."""
    stored = np.frombuffer(files("keyid").joinpath(file).read_bytes(), np.uint8)
    net: cv2.dnn.Net = cv2.dnn.readNetFromONNX(stored)
    return net


def answer(net: cv2.dnn.Net, layers: Image) -> Image:
    """What a network says, (classes, rows, columns), to a picture's layers (inputs, rows, columns).

    Rows and columns are multiples of what the network divides its picture by.
    """
    net.setInput(layers[None])
    said: Image = np.asarray(net.forward(), np.float32)[0]
    return said


def probabilities(logits: Image) -> Image:
    """Softmax over the first axis: what an answer's classes are worth at each place."""
    weight: Image = logits - logits.max(axis=0)
    np.exp(weight, out=weight)
    weight /= weight.sum(axis=0)
    return weight
