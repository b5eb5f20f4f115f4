"""Where rulers may lie: rows of short parallel strokes side by side.

Line segments that lie beside each other, nearer than they are long, are strung together; a row that is long and made of
many is proposed as the marks of a ruler.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

Array = NDArray[np.float64]

LONG_SIDE_PX = 2400  # at which strokes are looked for: marks 1 mm apart are then 5 px or more from each other
MIN_STROKE_PX, MAX_STROKE_PX = 8.0, 220.0  # at that size
ALIKE_RAD = np.radians(4.0)  # neighbouring marks' directions differ less
BESIDE = 1.0  # of the shorter stroke's length: neighbours are nearer than that
ALONG = 0.6  # of the shorter stroke's length: and no more shifted along their own direction
MIN_STROKES = 24  # a dozen marks, each with two sides
MIN_ASPECT = 2.0  # the row is that much longer than its strokes
MAX_ROWS = 8
TURN_ROUNDS = 3
TRIM = 2.5  # times the median misfit: strokes farther off a row's line are texture


@dataclass(frozen=True)
class Row:
    """A row of strokes in the photo.

    A place in it is (t, h): t pixels along the row from its middle, h pixels along the strokes there.

    Attributes
    ----------
    middle_px : ndarray, shape (2,)
    along : ndarray, shape (2,)
        Unit vector.
    turn_rad : tuple of float
        The strokes' direction is turn_rad[0] + turn_rad[1] * t from the row's: seen from aside they converge.
    ends : tuple of float
        First and last t.
    reach : tuple of float
        Range of h in which most strokes run.
    longest : float
        Length of the longest strokes.
    count : int
        How many strokes.
    """

    middle_px: Array
    along: Array
    turn_rad: tuple[float, float]
    ends: tuple[float, float]
    reach: tuple[float, float]
    longest: float
    count: int

    def to_px(self, t: Array, h: Array) -> Array:
        """Pixels (..., 2) of places; ``t`` and ``h`` are broadcast."""
        angle = np.arctan2(self.along[1], self.along[0]) + self.turn_rad[0] + self.turn_rad[1] * t
        across = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
        return np.asarray(self.middle_px + t[..., None] * self.along + h[..., None] * across)


def find_rows(pixels: NDArray[np.uint8], long_side_px: float = LONG_SIDE_PX) -> list[Row]:
    """Rows of strokes in the photo, those of most strokes first, looked for at that length of its long side."""
    factor = min(1.0, long_side_px / max(pixels.shape))
    ends = _strokes(pixels, factor)
    if len(ends) < MIN_STROKES:
        return []
    label = _strung(ends)
    sizes = np.bincount(label)
    rows = [_row(ends[label == k]) for k in np.argsort(-sizes)[: 3 * MAX_ROWS] if sizes[k] >= MIN_STROKES]
    return [row for row in rows if row is not None][:MAX_ROWS]


def _strokes(pixels: NDArray[np.uint8], factor: float) -> Array:
    """Short straight edges, shape (n, 2, 2), in pixels of the photo."""
    small = cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, scale=1.0).detect(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY))
    if found[0] is None:
        return np.zeros((0, 2, 2))
    ends = np.asarray(found[0], np.float64).reshape(-1, 2, 2)
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    kept = (length > MIN_STROKE_PX) & (length < MAX_STROKE_PX)
    return np.asarray((ends[kept] + 0.5) / factor - 0.5)


def _strung(ends: Array) -> NDArray[np.int_]:
    """Number of the row that each stroke belongs to."""
    middle, along = ends.mean(axis=1), ends[:, 1] - ends[:, 0]
    length = np.linalg.norm(along, axis=1)
    unit = along / length[:, None]
    pairs = cKDTree(middle).query_pairs(BESIDE * float(np.quantile(length, 0.98)), output_type="ndarray")
    one, two = pairs[:, 0], pairs[:, 1]
    apart = middle[two] - middle[one]
    shorter = np.minimum(length[one], length[two])
    parallel = np.abs(np.sum(unit[one] * unit[two], axis=1)) > np.cos(ALIKE_RAD)
    shift = np.abs(np.sum(apart * unit[one], axis=1))
    beside = np.abs(apart[:, 0] * unit[one][:, 1] - apart[:, 1] * unit[one][:, 0])
    good = parallel & (beside < BESIDE * shorter) & (shift < ALONG * shorter)
    links = coo_matrix((np.ones(good.sum()), (one[good], two[good])), shape=(len(ends), len(ends)))
    return np.asarray(connected_components(links, directed=False)[1])


def _row(ends: Array) -> Row | None:
    """The row that strokes make; None when they don't lie in a line."""
    middle = ends.mean(axis=1)
    centre = np.median(middle, axis=0)
    along = np.linalg.svd(middle - centre, full_matrices=False)[2][0]
    vector = ends[:, 1] - ends[:, 0]
    angle = np.mod(np.arctan2(vector[:, 1], vector[:, 0]) - np.arctan2(along[1], along[0]), np.pi)
    t = (middle - centre) @ along
    kept = np.ones(len(t), bool)
    for _ in range(TURN_ROUNDS):
        slope, start = np.polyfit(t[kept], angle[kept], 1)
        off = np.abs(angle - start - slope * t)
        kept = off < max(TRIM * float(np.median(off)), 0.01)
    length = np.linalg.norm(vector, axis=1)
    longest = float(np.quantile(length[kept], 0.95))
    first, last = (float(value) for value in np.quantile(t[kept], (0.01, 0.99)))
    if kept.sum() < MIN_STROKES or last - first < MIN_ASPECT * longest or abs(start - np.pi / 2) > np.pi / 4:
        return None
    row = Row(centre, along, (float(start), float(slope)), (first, last), (0.0, 0.0), longest, int(kept.sum()))
    return Row(centre, along, row.turn_rad, row.ends, _reach(row, ends[kept]), longest, row.count)


def _reach(row: Row, ends: Array) -> tuple[float, float]:
    """Range of h that most strokes share."""
    side = np.array([-row.along[1], row.along[0]])
    h = np.sort((ends - row.middle_px) @ side, axis=1)
    grid = np.arange(h.min(), h.max() + 1)
    count = np.array([np.sum((h[:, 0] <= x) & (h[:, 1] >= x)) for x in grid])
    shared = grid[count > 0.7 * count.max()]
    return float(shared.min()), float(shared.max())
