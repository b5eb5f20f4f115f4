"""The marks of a ruler: where each crosses a row of strokes, to a fraction of a pixel, how long it is, and its number.

The photo is resampled along the row, so that each mark stands upright.  Marks are numbered by walking from each to the
next, so that marks hidden by a finger, a glare or dirt are counted too.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales.ruler_search import Row
from keyid.valleys import find_valleys

Array = NDArray[np.float64]
Image = NDArray[np.float32]

STEP_PX = 0.5  # along the row
RUN_ON = 0.25  # of the row's length: marks beyond both ends, which the search left out
TALL = 1.6  # times the longest stroke: how far to both sides marks are looked at
SMOOTH_PX = 1.0
CLEAR = 0.35  # of the usual mark's depth: fainter ones are dirt
DEEPEST, DEEP_PART = 0.95, 0.5  # quantile of all valleys, most of which may be halos or noise, and part of its depth
NEAR = 0.25  # of a period: how far a mark may be from where it is expected
MOST_MISSING = 6  # marks in a row that may be hidden
LEARN = (
    0.25  # how fast the period follows the marks: perspective changes it by a few per cent from mark to mark at most
)
BANDS = 3  # parts of the shared reach in which each mark is located by itself
LENGTH_DEPTH = 0.4  # of a mark's depth in the shared reach: where it ends
GAP = 0.12  # of the longest stroke: a worn mark may have gaps, and arrow heads stand a little off
LEAST_REACH_PX = 2 * BANDS  # that all marks share: a band is a pixel wide at least
MIN_MARKS = 12
LOW_SHARE = 0.6  # of the numbers walked over must have a mark


@dataclass(frozen=True)
class Marks:
    """A ruler's marks in one row.

    Attributes
    ----------
    number : ndarray of int, shape (n,)
        Ascending; the first seen is 0.
    place_px : ndarray, shape (n, BANDS, 2)
        Points on each mark's middle line.
    low_px, high_px : ndarray, shape (n,)
        How far each runs to both sides of the row, in pixels.
    row : Row
    t : ndarray, shape (n,)
        Place along the row.
    depth : float
        Usual darkness of a mark, in grey levels; negative where marks are lighter than the ruler.
    """

    number: NDArray[np.int_]
    place_px: Array
    low_px: Array
    high_px: Array
    row: Row
    t: Array
    depth: float

    @property
    def length_px(self) -> Array:
        """Length of each mark."""
        return self.high_px - self.low_px


@dataclass(frozen=True)
class Walk:
    """Even marks along a profile: places in samples, numbers, and the usual period (samples) and depth."""

    at: Array
    number: NDArray[np.int_]
    period: float
    depth: float


def read_marks(pixels: NDArray[np.uint8], row: Row) -> Marks | None:
    """Locate and number the marks of a row; None where the strokes are no even marks."""
    room = RUN_ON * (row.ends[1] - row.ends[0])
    t = np.arange(row.ends[0] - room, row.ends[1] + room, STEP_PX)
    h = np.arange(-TALL * row.longest, TALL * row.longest + 1)
    strip = _strip(pixels, row, t, h)
    shared = (h >= row.reach[0]) & (h <= row.reach[1])
    if shared.sum() < LEAST_REACH_PX:
        return None
    walks = [(sign, _walk(sign * strip[shared].mean(axis=0, dtype=np.float64))) for sign in (1.0, -1.0)]
    found = [(sign, walk) for sign, walk in walks if walk is not None]
    if not found:
        return None
    sign, walk = max(found, key=lambda one: one[1].depth * len(one[1].at))  # sharpening lays halos beside all marks
    return _measured(sign * strip, row, t, h, walk, sign)


def _strip(pixels: NDArray[np.uint8], row: Row, t: Array, h: Array) -> Image:
    """Darkness of the photo along the row, shape (len(h), len(t)); outside the photo its border's."""
    ends = [row.to_px(t, np.full(1, end)) for end in (h[0], h[-1])]
    last = np.array(pixels.shape[1::-1]) - 1
    low = np.clip(np.min(ends, axis=(0, 1)).astype(int) - 1, 0, last - 1)
    high = np.clip(np.max(ends, axis=(0, 1)).astype(int) + 3, low + 1, last + 1)
    grey = cv2.cvtColor(pixels[low[1] : high[1], low[0] : high[0]], cv2.COLOR_BGR2GRAY)
    share = ((h - h[0]) / (h[-1] - h[0])).astype(np.float32)[:, None]  # places are linear along each stroke
    x, y = (first + share * (end - first) for first, end in np.stack(ends).transpose(2, 0, 1).astype(np.float32))
    x, y = x - np.float32(low[0]), y - np.float32(low[1])
    values = cv2.remap(grey, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    smooth = cv2.GaussianBlur(values.astype(np.float32), (0, 0), sigmaX=SMOOTH_PX / STEP_PX, sigmaY=0.5)
    return np.asarray(255.0 - smooth, np.float32)


def _walk(profile: Array) -> Walk | None:
    """Even dark marks along a profile; None where there are none."""
    peaks, depths = find_valleys(-profile, 2.0)
    if len(peaks) < MIN_MARKS:
        return None
    depth = float(np.median(depths[depths > DEEP_PART * np.quantile(depths, DEEPEST)]))
    clear = peaks[depths > CLEAR * depth]
    if len(clear) < MIN_MARKS:
        return None
    steps = np.diff(clear)
    period = float(np.median(steps))
    even = np.flatnonzero(np.abs(steps[:-1] - steps[1:]) < NEAR * period)
    chains = [_chain(clear, int(start), float(steps[start])) for start in even[:: max(1, len(even) // 6)]]
    chains = [chain for chain in chains if len(chain) >= MIN_MARKS]
    if not chains:
        return None
    best = max(chains, key=len)
    number = np.array(sorted(best))
    at = np.array([best[k] for k in number])
    if len(number) < LOW_SHARE * (number[-1] - number[0] + 1):
        return None
    return Walk(_vertices(profile, at), number - number[0], float(np.median(np.diff(at) / np.diff(number))), depth)


def _chain(peaks: NDArray[np.int_], start: int, period: float) -> dict[int, int]:
    """Numbers and places of the peaks met when walking both ways from one in even steps."""
    chain = {0: int(peaks[start]), 1: int(peaks[start + 1])}
    for way in (1, -1):
        number = 1 if way > 0 else 0
        at, step, missing = float(chain[number]), period, 0
        while missing <= MOST_MISSING and -step < at < peaks[-1] + step:
            at, number = at + way * step, number + way
            near = int(peaks[np.abs(peaks - at).argmin()])
            if abs(near - at) > NEAR * step:
                missing += 1
                continue
            step += LEARN * (abs(near - (at - way * step)) - step) / (missing + 1)
            at, missing = float(near), 0
            chain[number] = near
    return chain


def _vertices(profile: Array, at: NDArray[np.int_]) -> Array:
    """Places of peaks between samples, by a parabola."""
    before, here, after = (profile[np.clip(at + k, 0, len(profile) - 1)] for k in (-1, 0, 1))
    bend = before - 2 * here + after
    return np.asarray(at + np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0))


def _measured(strip: Image, row: Row, t: Array, h: Array, walk: Walk, sign: float) -> Marks:
    """Each mark's place in the bands of the shared reach, and its ends; marks are the strip's higher values."""
    at = walk.at
    wide = round(NEAR * walk.period)
    columns = np.clip(np.rint(at).astype(int)[:, None] + np.arange(-wide, wide + 1), 0, len(t) - 1)
    aside = np.clip(np.rint(at).astype(int)[:, None] + np.array([-1, 1]) * round(walk.period / 2), 0, len(t) - 1)
    edges = np.linspace(max(row.reach[0], h[0]), min(row.reach[1], h[-1]), BANDS + 1)
    places = np.empty((len(at), BANDS, 2))
    for band in range(BANDS):
        rows = (h >= edges[band]) & (h <= edges[band + 1])
        profile = strip[rows].mean(axis=0, dtype=np.float64)
        top = columns[np.arange(len(at)), profile[columns].argmax(axis=1)]
        place = t[0] + STEP_PX * _vertices(profile, top)
        places[:, band] = row.to_px(place, np.full(len(at), float(h[rows].mean())))
    contrast = strip[:, columns].max(axis=2) - strip[:, aside].mean(axis=2)
    low, high = _ends(contrast, h, row.reach)
    return Marks(walk.number, places, low, high, row, t[0] + STEP_PX * at, sign * walk.depth)


def _ends(contrast: Image, h: Array, reach: tuple[float, float]) -> tuple[Array, Array]:
    """How far each mark's darkness runs on from the shared reach to both sides, in pixels."""
    shared = (h >= reach[0]) & (h <= reach[1])
    middle = int(np.flatnonzero(shared).mean())
    dark = (contrast > LENGTH_DEPTH * np.median(contrast[shared], axis=0)).astype(np.uint8)
    gap = 2 * round(GAP * float(h[-1]) / TALL / 2) + 1
    dark = cv2.morphologyEx(dark, cv2.MORPH_CLOSE, np.ones((gap, 1), np.uint8)).astype(bool)
    low, high = np.empty(dark.shape[1]), np.empty(dark.shape[1])
    for k, column in enumerate(dark.T):
        up, down = np.flatnonzero(~column[middle:]), np.flatnonzero(~column[:middle][::-1])
        high[k] = h[middle + up[0] - 1] if len(up) else h[-1]
        low[k] = h[middle - down[0]] if len(down) else h[0]
    return low, high
