"""Where rulers may lie: rows of short parallel strokes side by side.

Line segments that lie beside each other, nearer than they are long, are strung together; a row that is long and made of
many is proposed as the marks of a ruler.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.photos.coarser import coarser

Array = NDArray[np.float64]
Part = tuple[slice, slice]  # rows and columns

LONG_SIDE_PX = 2400  # at which strokes are looked for: marks 1 mm apart are then 5 px or more from each other
MIN_STROKE_PX, MAX_STROKE_PX = 8.0, 220.0  # at that size
ALIKE_RAD = np.radians(4.0)  # neighbouring marks' directions differ less
BESIDE = 1.0  # of the shorter stroke's length: neighbours are nearer than that
ALONG = 0.6  # of the shorter stroke's length: and no more shifted along their own direction
MIN_STROKES = 24  # a dozen marks, each with two sides
MIN_ASPECT = 2.0  # the row is that much longer than its strokes
MAX_ROWS = 8
THIN_PX = 5  # marks are thinner at the size at which they are looked for
CLEAR_LEVELS = 24  # grey levels by which a mark stands out at least: it was made to be read
CELL_PX = 4  # lines are counted in cells of that size
DENSE_CELLS = 7  # window in which they are: half a dozen marks
DENSE_SHARE = 0.12  # of it that is lines in a row of marks, at least; a single line and writing in places have less
MIN_ROW_PX = 120.0  # 40 marks, half a mm apart, at 6 px/mm
AROUND_CELLS = 6  # beyond a dense part: longer marks run on to there
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


def find_rows(pixels: NDArray[np.uint8], long_side_px: float = LONG_SIDE_PX, only_dense: bool = False) -> list[Row]:
    """Rows of strokes in the photo, those of most strokes first, looked for at that length of its long side.

    With ``only_dense`` only where thin clear lines stand densely is looked at: of most photos that is little.
    """
    factor = min(1.0, long_side_px / max(pixels.shape))
    grey = np.asarray(cv2.cvtColor(coarser(pixels, factor), cv2.COLOR_BGR2GRAY), np.uint8)
    parts = _dense_parts(grey) if only_dense else [(slice(None), slice(None))]
    found = [(_strokes(grey[part]) + _corner(part) + 0.5) / factor - 0.5 for part in parts]
    ends = np.concatenate(found) if found else np.zeros((0, 2, 2))
    if len(ends) < MIN_STROKES:
        return []
    label = _strung(ends)
    sizes = np.bincount(label)
    rows = [_row(ends[label == k]) for k in np.argsort(-sizes)[: 3 * MAX_ROWS] if sizes[k] >= MIN_STROKES]
    return [row for row in rows if row is not None][:MAX_ROWS]


def _dense_parts(grey: NDArray[np.uint8]) -> list[Part]:
    """Where thin clear lines, darker or lighter than what is around them, stand densely over a row's length."""
    kernel = np.ones((THIN_PX, THIN_PX), np.uint8)
    thin = cv2.max(cv2.morphologyEx(grey, cv2.MORPH_BLACKHAT, kernel), cv2.morphologyEx(grey, cv2.MORPH_TOPHAT, kernel))
    line = cv2.threshold(thin, CLEAR_LEVELS - 1, 255, cv2.THRESH_BINARY)[1]
    share = cv2.resize(line, None, fx=1 / CELL_PX, fy=1 / CELL_PX, interpolation=cv2.INTER_AREA)
    dense = cv2.threshold(cv2.blur(share, (DENSE_CELLS, DENSE_CELLS)), 255 * DENSE_SHARE, 1, cv2.THRESH_BINARY)[1]
    stats = cv2.connectedComponentsWithStats(dense)[2][1:]
    long = stats[CELL_PX * np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) > MIN_ROW_PX]
    boxes = np.zeros_like(dense)
    for left, top, width, height in long[:, : cv2.CC_STAT_AREA].tolist():
        low = max(0, left - AROUND_CELLS), max(0, top - AROUND_CELLS)
        boxes[low[1] : top + height + AROUND_CELLS, low[0] : left + width + AROUND_CELLS] = 1
    apart = CELL_PX * cv2.connectedComponentsWithStats(boxes)[2][1:, : cv2.CC_STAT_AREA]
    return [(slice(top, top + height), slice(left, left + width)) for left, top, width, height in apart.tolist()]


def _corner(part: Part) -> Array:
    """Where a part's top left pixel lies."""
    return np.array([part[1].start or 0, part[0].start or 0], float)


def _strokes(grey: NDArray[np.uint8]) -> Array:
    """Short straight edges, shape (n, 2, 2), in pixels of the picture."""
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, scale=1.0).detect(np.ascontiguousarray(grey))
    if found[0] is None:
        return np.zeros((0, 2, 2))
    ends = np.asarray(found[0], np.float64).reshape(-1, 2, 2)
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    kept = (length > MIN_STROKE_PX) & (length < MAX_STROKE_PX)
    return np.asarray(ends[kept])


def _strung(ends: Array) -> NDArray[np.int_]:
    """Number of the row that each stroke belongs to."""
    from scipy.sparse import coo_matrix  # these take a seventh of a second, and few photos need them
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

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
