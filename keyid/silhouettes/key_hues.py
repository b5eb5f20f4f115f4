"""What hue the key has, learnt from the photo: it parts a key from print and grain that hide its outline.

Where the network marks part of a key, its hue is seen, and elsewhere the table's.  Each place is then told by both, in
turn (as Rother, Kolmogorov and Blake do in "GrabCut", ACM Transactions on Graphics 23, 2004).
"""

from __future__ import annotations

import numpy as np

from keyid.network import Image
from keyid.photos.hues import hues_of
from keyid.scales.table_view import TableView

ROUNDS = 3  # of learning hues and telling places: more change nothing
SMOOTHED = 1.5  # samples (0.75 mm): print's dots and a table's grain have any hue
LEAST_SAMPLES = 60.0  # of the key: 15 mm2
MOST = 6.0  # log odds that a hue may state: of a blade beside a marked head the network may tell as little as -4


def tell_by_hue(odds: Image, view: TableView) -> Image:
    """Log odds of the key with its hue weighed in; the same where the network is sure of no part of it."""
    hues = hues_of(np.asarray(view.pixels / np.float32(255), np.float32), SMOOTHED)
    seen = np.asarray(view.seen & ~view.on_reference, np.float32)
    told = odds
    for _ in range(ROUNDS):
        share = np.asarray(1 / (1 + np.exp(-told)), np.float32)
        of_key, of_table = (hues.density(part * seen, LEAST_SAMPLES) for part in (share, 1 - share))
        if of_key is None or of_table is None:
            return odds
        told = odds + hues.odds(of_key, of_table, MOST) * seen
    return np.asarray(told, np.float32)
