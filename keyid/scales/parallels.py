"""What straight lines in the photo tell of the camera's tilt.

Ruled paper, a sheet's sides, planks, tiles, a mat's grid and the key's own edges are mostly parallel or square to each
other.  Seen from the right place they come out so; seen from a wrong one they converge.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.photos.photo import Photo
from keyid.scales.camera import Camera

Array = NDArray[np.float64]

LONG_SIDE_PX = 1600  # at which lines are looked for
MIN_LENGTH_PX = 25.0  # at that size; shorter ones are texture
MOST_LINES = 200  # the longest: more only take time
DIRECTION_U_RAD = np.radians(0.4)  # of a line's direction on the table: its own straightness and how well it is seen
VOICES_PER_LINE, MOST_VOICES = 0.15, 20.0  # independent lines: a grain's or a grid's many pieces err together
STEP_RAD = np.radians(0.5)  # of the search for the direction that most lines share
SMOOTH_STEPS = 3
QUARTER_RAD = np.pi / 2  # lines square to each other count as parallel


@dataclass(frozen=True)
class Lines:
    """Straight lines of the photo.

    Attributes
    ----------
    ends_px : ndarray, shape (n, 2, 2)
    voices : ndarray, shape (n,)
        As how many independent lines each counts.
    """

    ends_px: Array
    voices: Array


def find_lines(photo: Photo, without_px: Array) -> Lines:
    """Straight lines of the photo outside a closed outline, shape (m, 2)."""
    factor = min(1.0, LONG_SIDE_PX / max(photo.width_px, photo.height_px))
    small = cv2.resize(photo.pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    found = cv2.createLineSegmentDetector().detect(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY))[0]
    if found is None:
        return Lines(np.zeros((0, 2, 2)), np.zeros(0))
    ends = (np.asarray(found, np.float64).reshape(-1, 2, 2) + 0.5) / factor - 0.5
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    contour = without_px.astype(np.float32).reshape(-1, 1, 2)
    outside = [cv2.pointPolygonTest(contour, (float(x), float(y)), False) < 0 for x, y in ends.mean(axis=1)]
    kept = np.array(outside, bool) & (length > MIN_LENGTH_PX / factor)
    kept &= length >= np.sort(length * kept)[-MOST_LINES:][0]
    voices = min(MOST_VOICES, VOICES_PER_LINE * kept.sum())
    return Lines(ends[kept], voices * length[kept] / max(length[kept].sum(), 1.0))


def main_direction(lines: Lines, camera: Camera) -> float:
    """The direction on the table, in rad, that most lines run along or square to."""
    if len(lines.voices) == 0:
        return 0.0
    bins = round(QUARTER_RAD / STEP_RAD)
    at = np.floor(np.mod(_directions(lines, camera), QUARTER_RAD) / STEP_RAD).astype(int) % bins
    count = np.bincount(at, lines.voices, bins)
    around = sum(np.roll(count, k) for k in range(-SMOOTH_STEPS, SMOOTH_STEPS + 1))
    return float((np.argmax(around) + 0.5) * STEP_RAD)


def off_direction(lines: Lines, camera: Camera, direction_rad: float) -> Array:
    """How far each line is off a direction or its square, so that half the squares add up to log odds, shape (n,).

    Most lines in a photo have nothing to do with each other, so large angles cost little more than middling ones.
    """
    turned = _directions(lines, camera) - direction_rad
    off = (np.mod(turned + QUARTER_RAD / 2, QUARTER_RAD) - QUARTER_RAD / 2) / DIRECTION_U_RAD
    return np.asarray(np.sign(off) * np.sqrt(2 * lines.voices * np.log1p(off**2)))


def _directions(lines: Lines, camera: Camera) -> Array:
    """Directions of the lines on the table, in rad."""
    ends = camera.on_height(lines.ends_px, 0.0)
    along = ends[:, 1] - ends[:, 0]
    return np.asarray(np.arctan2(along[:, 1], along[:, 0]))
