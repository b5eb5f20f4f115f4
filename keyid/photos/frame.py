"""The photo's own frame within a screenshot's bars or a page's margins.

Bars and margins are of one exact colour along most of their length, whatever stands in them; a photo is not, for its
noise.  Where the one ends and the other begins nearly every pixel of a row or column changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
Flags = NDArray[np.bool_]

SAME_LEVELS = 1  # colours no farther apart are one: bars stay exact also in a JPEG file, where a photo has noise
FLAT_SHARE = 0.6  # of a row or column of one colour: clocks, buttons and words leave more of a bar
STEP_LEVELS = 4  # neighbouring pixels farther apart than that have a step between them
STEP_SHARE = 0.5  # of a row or column that changes where the frame begins; margins beside it don't
MIN_PART = 0.2  # of the picture's side: smaller ones are buttons and thumbnails
LOOKED_AT = 200  # pixels of each row and column that are looked at: a photo of 12 MP has twenty times as many
ROUNDS = 2  # margins beside the frame hide it in the rows until the columns have taken them off


@dataclass(frozen=True)
class Frame:
    """Where the photo lies in the picture of a file, and the picture's size, in pixels of the upright picture."""

    left_px: int
    top_px: int
    picture_width_px: int
    picture_height_px: int


def find_frame(pixels: Pixels) -> tuple[slice, slice] | None:
    """Rows and columns of the photo within bars or margins; None where there are none."""
    rows, columns = slice(0, pixels.shape[0]), slice(0, pixels.shape[1])
    for _ in range(ROUNDS):
        rows = _span(pixels[:, columns], rows)
        columns = _span(pixels[rows].swapaxes(0, 1), columns)
    whole = rows.stop - rows.start, columns.stop - columns.start
    return None if whole == pixels.shape[:2] else (rows, columns)


def _span(lines: Pixels, within: slice) -> slice:
    """Of lines (rows of the first axis) those that the photo takes, judged within a span; the span where unclear."""
    looked = lines[within, :: max(1, lines.shape[1] // LOOKED_AT)].astype(np.int16)
    flat = _flat(looked)
    change = np.abs(np.diff(looked, axis=0)).max(axis=-1) > STEP_LEVELS
    begins = np.flatnonzero(change.mean(axis=1) > STEP_SHARE) + 1
    firsts = [0, *begins[flat[begins - 1]]]
    lasts = [*begins[flat[begins]], len(flat)]
    busy = np.concatenate([[0], np.cumsum(np.where(flat, -1, 1))])
    spans = [(first, last) for first, last in product(firsts, lasts) if first < last]
    first, last = max(spans, key=lambda span: int(busy[span[1]] - busy[span[0]]))
    if last - first < MIN_PART * len(lines) or busy[last] <= busy[first]:
        return within
    return slice(within.start + int(first), within.start + int(last))


def _flat(lines: NDArray[np.int16]) -> Flags:
    """Which lines are mostly of one colour."""
    middle = np.median(lines, axis=1, keepdims=True)
    same = np.abs(lines - middle).max(axis=-1) <= SAME_LEVELS
    return np.asarray(same.mean(axis=1) >= FLAT_SHARE)
