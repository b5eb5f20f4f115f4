"""How much of each pixel a shape covers, with unbiased edges.

Each pixel row is cut into fine scan lines.  On a scan line the borders of the shape are computed exactly, and the part
of each pixel between two borders is added up exactly; only the direction down the picture is sampled.  A filler that
also paints the pixels under the border would make every shape larger.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.scene.outline import signed_area

Array = NDArray[np.float64]

SCANS = 32  # scan lines to a pixel row: an edge exactly along a row is off by at most 1/64 px, a slanted one by none


def coverage(polygons: list[Array], shape: tuple[int, int], at_least: int = 1) -> NDArray[np.float32]:
    """Covered part of every pixel by the union of polygons.

    Parameters
    ----------
    polygons : list of ndarray, shape (n, 2)
        In pixels, (0, 0) being the centre of the first pixel; each is turned to be positively wound.
    shape : tuple of int
        Height and width of the picture.
    at_least : int
        The winding number from which on a point counts: 1 for the union, 2 for where two polygons overlap.

    Returns
    -------
    ndarray of float32, shape ``shape``, from 0 to 1
    """
    full = np.zeros(shape, dtype=np.float32)
    kept = [polygon if signed_area(polygon) > 0 else polygon[::-1] for polygon in polygons if len(polygon)]
    if not kept:
        return full
    points = np.vstack(kept)
    low = np.clip(np.floor(points.min(axis=0)).astype(int) - 1, 0, [shape[1], shape[0]])
    high = np.clip(np.ceil(points.max(axis=0)).astype(int) + 2, 0, [shape[1], shape[0]])
    if np.all(high > low):
        part = _coverage([polygon + 0.5 - low for polygon in kept], (high[1] - low[1], high[0] - low[0]), at_least)
        full[low[1] : high[1], low[0] : high[0]] = part
    return full


def _coverage(polygons: list[Array], shape: tuple[int, int], at_least: int) -> Array:
    """The same, with (0, 0) at the first pixel's corner and the window just around the polygons."""
    line, x, sign = _borders(polygons, shape[0])
    order = np.lexsort([x, line])
    line, x, sign = line[order], x[order], sign[order]
    inside = np.cumsum(sign) >= at_least
    before = np.concatenate([[False], inside[:-1]])
    change = inside != before
    weight = np.where(inside[change], 1.0, -1.0)
    return _fill_right(line[change] // SCANS, x[change], weight, shape) / SCANS


def _borders(polygons: list[Array], height: int) -> tuple[NDArray[np.int64], Array, NDArray[np.int64]]:
    """Every crossing of a polygon's border with a scan line: the line, the x there, +1 entering from the left or -1."""
    start = np.vstack(polygons)
    end = np.vstack([np.roll(polygon, -1, axis=0) for polygon in polygons])
    first, last = (
        np.clip(np.ceil(bound * SCANS - 0.5).astype(np.int64), 0, height * SCANS)
        for bound in (np.minimum(start[:, 1], end[:, 1]), np.maximum(start[:, 1], end[:, 1]))
    )
    edge = np.repeat(np.arange(len(start)), last - first)
    offset = np.arange(len(edge)) - np.repeat(np.cumsum(last - first) - (last - first), last - first)
    line = first[edge] + offset
    a, b = start[edge], end[edge]
    share = ((line + 0.5) / SCANS - a[:, 1]) / (b[:, 1] - a[:, 1])
    return line, a[:, 0] + share * (b[:, 0] - a[:, 0]), np.where(b[:, 1] < a[:, 1], 1, -1)


def _fill_right(row: NDArray[np.int64], x: Array, weight: Array, shape: tuple[int, int]) -> Array:
    """Add ``weight`` times the part of each pixel that lies right of x, for every border of every row."""
    height, width = shape
    x = np.clip(x, 0, width)
    column = np.floor(x).astype(np.int64)
    part = x - column
    flat = row * (width + 2) + column
    size = height * (width + 2)
    steps = np.bincount(flat, weight * (1 - part), size) + np.bincount(flat + 1, weight * part, size)
    return np.asarray(np.cumsum(steps.reshape(height, width + 2), axis=1)[:, :width])
