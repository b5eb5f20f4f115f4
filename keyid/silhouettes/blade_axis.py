"""The blade's direction from the edges in the picture: outer edges, grooves, collar and flats are all parallel to it.

Seen along the right direction, the picture's gradients pile up in few lines; along any other they smear out.  Gradients
are summed with their sign, so that texture cancels.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales.table_view import TableView
from keyid.silhouettes.key_shape import KeyShape

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SMOOTH_MM = 0.2
RIM_MM = 0.5  # the outer edges lie just outside the blob, too
BESIDE_MM = 3.5  # half a collar and the coarse axis' error
OFF_TIP_MM = 1.0  # the tip's own edges aren't parallel to the blade
LIMIT_QUANTILE = 0.8  # steeper gradients count no more than that: one glint isn't a line
LINE_MM = 0.15  # a line's width, about the blur of the picture


def axis_evidence(view: TableView, blob: Mask, shape: KeyShape) -> Callable[[Array], Array]:
    """How much the gradients inside the blade pile up in lines, as a function of directions (n, 2); 0 to 1.

    ``shape`` is the blade as known so far.
    """
    at, gradient = _blade_gradients(view, blob, shape)

    def evidence(directions: Array) -> Array:
        energy = np.array([_energy(at, gradient, np.array([-y, x])) for x, y in directions])
        return np.asarray(energy / max(energy.max(), 1e-9))

    return evidence


def _energy(at: Array, gradient: Array, across: Array) -> float:
    """Sum over lines of the squared sum of gradients across them."""
    line = np.floor((at @ across) / LINE_MM).astype(int)
    return float(np.sum(np.bincount(line - line.min(), gradient @ across) ** 2)) if len(line) else 0.0


def _blade_gradients(view: TableView, blob: Mask, shape: KeyShape) -> tuple[Array, Array]:
    """Places in mm and limited lightness gradients of the blade's pixels, both (n, 2)."""
    px = view.px_per_mm
    grown = cv2.dilate(blob.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=round(RIM_MM * px))
    places = np.argwhere(grown)[:, ::-1]
    s, v = shape.coordinates(places / px)
    blade = (s > 0) & (s < shape.length_mm - OFF_TIP_MM) & (np.abs(v) < shape.width_mm / 2 + BESIDE_MM)
    light = cv2.GaussianBlur(cv2.cvtColor(view.pixels, cv2.COLOR_BGR2GRAY).astype(np.float32), (0, 0), SMOOTH_MM * px)
    columns, rows = places[blade].T
    gradient = np.stack([cv2.Scharr(light, cv2.CV_32F, *d)[rows, columns] for d in ((1, 0), (0, 1))], axis=-1)
    steep = np.linalg.norm(gradient, axis=1)
    limit = float(np.quantile(steep, LIMIT_QUANTILE)) if len(steep) else 1.0
    return places[blade] / px, gradient * np.minimum(1.0, limit / np.maximum(steep, 1e-6))[:, None]
