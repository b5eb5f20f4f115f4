"""Where the key lies in the photo: a coarse silhouette, good to about a millimetre."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyid.photo import Photo
from keyid.scale import Scale


@dataclass(frozen=True)
class Silhouette:
    """The key, found coarsely.

    Attributes
    ----------
    outline_px : ndarray, shape (n, 2)
        The whole key's outline (head and blade, cast shadow left out) in the upright photo, closed.
    blade_px : ndarray, shape (2, 2)
        Two points of the blade's mid-line in the upright photo: where the blade leaves the head, and the tip.
    width_mm : float
        The blade's width, to about a millimetre (on the table plane).
    head : str
        "plastic" when the head is much thicker than the blade (so that the blade is lifted and slopes), else "metal".
    """

    outline_px: NDArray[np.float64]
    blade_px: NDArray[np.float64]
    width_mm: float
    head: Literal["metal", "plastic"]


def find_silhouette(photo: Photo, scale: Scale) -> Silhouette:
    """Find the one key in the photo.

    Raises PhotoError ``no-key``, ``several-keys``, ``key-cut-off``, ``key-unclear``, ``too-blurred``, ``too-dark``,
    ``too-coarse``.
    """
    raise NotImplementedError
