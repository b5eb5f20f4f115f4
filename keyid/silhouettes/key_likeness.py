"""How likely each pixel of the table's map is a key's, by a small network that has seen keys of many kinds.

Metal mirrors what is around it, so that no rule on brightness or colour holds for all keys and tables.  What the
network marks is a proposal: whether it reads as a key is decided by its shape.  ``tests/training`` tells how it is
trained.
"""

from __future__ import annotations

import numpy as np

from keyid.network import Image, answer, read_network
from keyid.scales.table_view import TableView

NET_FILE = "silhouettes/key_likeness.onnx"
MULTIPLE = 16  # the network halves its picture four times


def key_likeness(view: TableView) -> Image:
    """Log odds of the key, shape (rows, columns), for a view of SEARCH_PX_PER_MM.

    The network is read for each photo, in a few milliseconds: its layers would hold 100 MB while the blade is measured.
    """
    rows, columns = view.seen.shape
    pad = ((0, -rows % MULTIPLE), (0, -columns % MULTIPLE))
    layers = [np.pad(layer, pad).astype(np.float32) for layer in (view.on_reference, view.seen)]
    colours = np.pad(view.pixels, (*pad, (0, 0)), mode="edge").transpose(2, 0, 1) / np.float32(255) - np.float32(0.5)
    inputs = np.concatenate([colours, np.stack(layers)]).astype(np.float32)
    return answer(read_network(NET_FILE), inputs)[0, :rows, :columns]
