"""Whether a blob on the table has the shape of a key, and where its blade lies.

A key is a head wider than its blade and a long narrow blade with two nearly parallel sides that points away from it.
The head is what survives an opening with a disk wider than any blade; the blade is the longest thing that doesn't.
The blade's direction comes from its straight sides: an edge that is cut still touches its uncut line between cuts, and
the collar behind a shoulder is parallel to it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Evidence = Callable[[Array], Array]

# Ranges of flat keys in mm, with the width of the soft slope beyond each end (common practice, no source).
WHOLE_MM = (35.0, 100.0, 8.0)
BLADE_MM = (18.0, 48.0, 5.0)  # with the collar behind the shoulder
WIDTH_MM = (4.8, 12.5, 1.2)
HEAD_MM = (16.0, 40.0, 4.0)
HEAD_LENGTH_MM = (15.0, 50.0, 5.0)
BLADE_OVER_HEAD = (0.5, 1.9, 0.4)
HEAD_OVER_BLADE = (1.5, 7.0, 0.4)

FIRST_DISKS_MM = (13.5, 17.0)  # wider than any blade, and wider than one with its shadow; narrower than any head
DISK_PER_WIDTH, DISK_EXTRA_MM = 1.25, 5.0  # a collar is up to 2.5 mm wider than its blade on each side
COLLAR_STEP_MM = 2.6  # what is further out than that from the blade is head
DISK_OF_HEAD = 0.85  # at most that share of the widest disk in the head
STEP_MM = 0.25  # spacing of contour points
TURN_DEG, TURN_STEP_DEG = 14.0, 0.5  # the principal axis of a cut blade is off by less
NEAR_LINE_MM = 0.3  # side points that near lie on one line; a segmented edge wobbles by about that
AIM_SD_MM = 3.0  # how far the head's middle may lie off the blade's mid-line; heads stand up and lean outward
TIP_TAPER_MM = 3.0  # not a side any more
SURE_BLADE_MM = 18.0  # that far from the tip there is blade, no collar
SIDE_SHARE = 0.07  # share of a side's points that reach beyond its uncut line
MIN_HEAD_SOLIDITY = (0.9, 1.01, 0.08)
MIN_BOX_FILL = (0.72, 1.01, 0.08)  # of the head's bounding box: pi/4 for an oval, half for a wedge
FRONT_STEP_MM = 2.0
ONE_SIDED_MM = 9.0  # counted for a head that sticks out on one side only: a shadow may hide the other
SAME_FRONT_MM = 1.5  # a head is as symmetric as that
FLAT_FRONT_MM, MAX_ROUNDING_MM = 1.2, 1.5  # what a rounder head takes more than a flat one, it goes on to the blade
MAX_FRONT_MM = (-1.0, 3.5, 8.0)  # in which the head widens by that step on each side: under 2 for an oval
MIN_STRAIGHT = (0.2, 2.0, 0.15)
MIN_FILL = (0.62, 1.2, 0.12)
MAX_OFFSET_MM = (-1.0, 4.0, 2.5)  # head's middle off the blade's mid-line
MAX_STRAY = (-1.0, 0.06, 0.3)  # share of the blob that is neither head nor blade
TRIM_MM = 1.5
MAX_ARMS = 3  # of a blob that are tried as its blade
LOOK_LIKENESS = 0.02  # what is less like a key isn't worth a closer look
NO_KEY_LIKENESS = 0.005  # and what can't be more like one than that isn't measured further
FRONT_QUANTILE = 0.999  # of a side's places along the axis: its foremost, less a stray pixel


@dataclass(frozen=True)
class KeyShape:
    """A blob read as a key; mm from the centre of the mask's top-left pixel, x right, y down.

    Attributes
    ----------
    tip_mm, neck_mm : ndarray, shape (2,)
        Mid-line points at the tip and where the blade leaves the head.
    width_mm : float
        Across the uncut blade.
    head_mm : tuple of float
        Length of the head along the blade's axis, and across it.
    head_offset_mm : float
        Middle of the head across the axis, from the blade's mid-line.
    likeness : float
        0 (not a key) to 1.
    parts : tuple of float
        The factors of the likeness: whole length, blade length, width, head width, head
        length, head over blade, blade over head, solidity, box fill,
        front, straightness, fill, offset, stray.
    """

    tip_mm: Array
    neck_mm: Array
    width_mm: float
    head_mm: tuple[float, float]
    head_offset_mm: float
    likeness: float
    parts: tuple[float, ...]

    def moved(self, by_mm: Array) -> KeyShape:
        """The same in a mask whose top-left pixel lies elsewhere."""
        return replace(self, tip_mm=self.tip_mm + by_mm, neck_mm=self.neck_mm + by_mm)

    @property
    def length_mm(self) -> float:
        """From the head to the tip."""
        return float(np.linalg.norm(self.tip_mm - self.neck_mm))

    def coordinates(self, points_mm: Array) -> tuple[Array, Array]:
        """Along the mid-line from the neck to the tip, and across it, of points (..., 2)."""
        along = (self.tip_mm - self.neck_mm) / self.length_mm
        offset = points_mm - self.neck_mm
        return offset @ along, offset @ np.array([-along[1], along[0]])


def read_shape(blob: Mask, px_per_mm: float, look: Look | None = None) -> KeyShape | None:
    """Read a filled blob as a key; None when it has no head or no blade at all.

    ``look`` tells, of a blob's shape so far, how directions (n, 2) of its blade are weighed by what else is known of
    them than the blob's sides.
    """
    rows, columns = bounds(blob)
    near = blob[rows, columns]
    arms = [
        (head, arm)
        for head in (_open(near, disk * px_per_mm) for disk in FIRST_DISKS_MM)
        for arm in _arms(near & ~head, head, px_per_mm)
    ]
    readings = [(_read_arm(near, *each, px_per_mm), each) for each in arms]
    corner = np.array([columns.start, rows.start]) / px_per_mm
    found = [(shape.moved(corner), each) for shape, each in readings if shape is not None]
    if not found:
        return None
    best, arm = max(found, key=lambda each: each[0].likeness)
    if look is None or best.likeness < LOOK_LIKENESS:
        return best
    again = _read_arm(near, *arm, px_per_mm, look(best))
    return None if again is None else again.moved(corner)


def bounds(mask: Mask, margin: int = 0) -> tuple[slice, slice]:
    """Rows and columns that a mask takes, and a margin round it."""
    rows, columns = (np.flatnonzero(mask.any(axis=axis)) for axis in (1, 0))
    if not len(rows):
        return slice(0, mask.shape[0]), slice(0, mask.shape[1])
    return (
        slice(max(0, int(rows[0]) - margin), int(rows[-1]) + margin + 1),
        slice(max(0, int(columns[0]) - margin), int(columns[-1]) + margin + 1),
    )


def _read_arm(blob: Mask, head: Mask, arm: Mask, px_per_mm: float, evidence: Evidence | None = None) -> KeyShape | None:
    """Read a blob as a key whose blade is the arm."""
    whole = head | arm
    sides = _sides(whole, head, _axis(arm, head, px_per_mm), px_per_mm, evidence)
    if sides is None:
        return None
    frame, level, straight = sides
    stray = 1 - np.count_nonzero(whole) / np.count_nonzero(blob)
    width = float(level[1] - level[0])
    if _soft(width, WIDTH_MM) * _soft(straight, MIN_STRAIGHT) * _soft(stray, MAX_STRAY) < NO_KEY_LIKENESS:
        return None
    widest = 2 * cv2.distanceTransform(head.astype(np.uint8), cv2.DIST_L2, 5).max() / px_per_mm
    disk = min(DISK_PER_WIDTH * width + DISK_EXTRA_MM, DISK_OF_HEAD * widest)
    fuller = _open(whole, disk * px_per_mm)
    if not fuller.any():
        return None
    shape = _measure(whole, fuller, frame, level, straight, stray, px_per_mm)
    return shape if shape.length_mm > 0 else None


def trim(blob: Mask, shape: KeyShape, px_per_mm: float) -> Mask:
    """The blob without what can be neither head nor blade."""
    s, v = shape.coordinates(pixel_places_mm(blob.shape, px_per_mm))
    blade = (s > 0) & (np.abs(v) < shape.width_mm / 2 + COLLAR_STEP_MM) & (s < shape.length_mm + TRIM_MM)
    length, across = shape.head_mm
    head = (s <= 0) & (s > -length - TRIM_MM) & (np.abs(v - shape.head_offset_mm) < across / 2 + TRIM_MM)
    return largest(blob & (blade | head))


Look = Callable[[KeyShape], Evidence]


@dataclass(frozen=True)
class _Frame:
    """Along and across axes in the blob's plane; along points to the tip."""

    along: Array

    @property
    def across(self) -> Array:
        return np.array([-self.along[1], self.along[0]])

    def coordinates(self, points_mm: Array) -> tuple[Array, Array]:
        return points_mm @ self.along, points_mm @ self.across

    def point(self, s: float, v: float) -> Array:
        return np.asarray(s * self.along + v * self.across)

    def turned(self, angles_rad: Array) -> Array:
        """The axis turned by each of the angles, (n, 2)."""
        return np.asarray(np.outer(np.cos(angles_rad), self.along) + np.outer(np.sin(angles_rad), self.across))


def _open(blob: Mask, diameter_px: float) -> Mask:
    """Largest part of the opening with a disk."""
    padded = np.pad(blob, 1).astype(np.uint8)
    core = cv2.distanceTransform(padded, cv2.DIST_L2, 5) >= diameter_px / 2
    reach = cv2.distanceTransform((~core).astype(np.uint8), cv2.DIST_L2, 5)
    return largest((reach < diameter_px / 2)[1:-1, 1:-1] & blob) if core.any() else np.zeros_like(blob)


def largest(mask: Mask) -> Mask:
    """The largest connected part of a mask."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=4)
    return labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])) if count > 1 else mask


def pixel_places_mm(shape: tuple[int, ...], px_per_mm: float) -> Array:
    """Where the pixels of a mask of that shape lie, (rows, columns, 2)."""
    rows, columns = np.indices(shape[:2])
    return np.asarray(np.stack([columns, rows], axis=-1) / px_per_mm)


def _points_mm(mask: Mask, px_per_mm: float) -> Array:
    found = cv2.findNonZero(mask.astype(np.uint8))
    return np.zeros((0, 2)) if found is None else np.asarray(found, float).reshape(-1, 2) / px_per_mm


def _arms(rest: Mask, head: Mask, px_per_mm: float) -> list[Mask]:
    """Of what the head leaves over, the parts that reach as far from it as a blade, the farthest first."""
    if not head.any():
        return []
    count, components = cv2.connectedComponents(rest.astype(np.uint8), connectivity=4)
    labels = np.asarray(components, np.intp)
    away = cv2.distanceTransform((~head).astype(np.uint8), cv2.DIST_L2, 5) / px_per_mm
    reach = np.zeros(count)
    np.maximum.at(reach, labels[rest], away[rest])
    far = [label for label in np.argsort(-reach)[:MAX_ARMS] if reach[label] > BLADE_MM[0] - BLADE_MM[2]]
    return [np.asarray(labels == label) for label in far]


def _axis(blade: Mask, head: Mask, px_per_mm: float) -> _Frame:
    """The blade's principal axis, away from the head."""
    points = _points_mm(blade, px_per_mm)
    along = np.linalg.eigh(np.cov(points.T))[1][:, 1]
    outward = points.mean(axis=0) - _points_mm(head, px_per_mm).mean(axis=0)
    return _Frame(along if along @ outward > 0 else -along)


def contour_mm(blob: Mask, px_per_mm: float) -> Array:
    """The outer contour of the largest part, evenly spaced, shape (n, 2)."""
    contours = cv2.findContours(blob.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    points = max(contours, key=len).reshape(-1, 2) / px_per_mm
    closed = np.vstack([points, points[:1]])
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    at = np.arange(0.0, run[-1], STEP_MM)
    return np.column_stack([np.interp(at, run, closed[:, 0]), np.interp(at, run, closed[:, 1])])


def _sides(
    blob: Mask, head: Mask, frame: _Frame, px_per_mm: float, evidence: Evidence | None
) -> tuple[_Frame, Array, float] | None:
    """The direction in which the blade's sides are straightest, their two levels, and how straight they are."""
    outline = contour_mm(blob, px_per_mm)
    s, v = frame.coordinates(outline)
    near = s > s.max() - SURE_BLADE_MM
    middle = np.median(v[near])
    stretch = near & (s < s.max() - TIP_TAPER_MM)
    upper, lower = outline[stretch & (v > middle)], outline[stretch & (v < middle)]
    if min(len(upper), len(lower)) < 0.5 * (SURE_BLADE_MM - TIP_TAPER_MM) / STEP_MM:
        return None
    aim = _points_mm(head, px_per_mm).mean(axis=0)
    along = frame.turned(np.radians(np.arange(-TURN_DEG, TURN_DEG + 1e-9, TURN_STEP_DEG)))
    across = np.column_stack([-along[:, 1], along[:, 0]])
    levels, straight = _fit_sides(upper @ across.T, lower @ across.T)
    miss = across @ aim - levels.mean(axis=1)
    weight = straight * np.exp(-0.25 * (miss / AIM_SD_MM) ** 2)
    if evidence is not None:
        weight *= evidence(along)
    best = int(np.argmax(weight))
    return _Frame(along[best]), levels[best], float(straight[best])


def _fit_sides(upper: Array, lower: Array) -> tuple[Array, Array]:
    """Where each direction's sides lie, and the root mean square of the shares of points on them.

    Both sides' points come as their places across, (points, directions).
    """
    levels = np.stack([_quantile(lower, SIDE_SHARE), _quantile(upper, 1 - SIDE_SHARE)], axis=-1)
    expected = (SURE_BLADE_MM - TIP_TAPER_MM) / STEP_MM
    on_line = [np.sum(np.abs(v - at) < NEAR_LINE_MM, axis=0) for v, at in zip((lower, upper), levels.T, strict=True)]
    shares = np.minimum(np.array(on_line) / expected, 1.0)
    return levels, np.sqrt(np.mean(shares**2, axis=0))


def _reach(s: Array, v: Array, level: Array, step_mm: float) -> Array:
    """How far toward the tip each side reaches that far outside the blade's lines; without a side that never does."""
    fronts = [s[v > level[1] + step_mm], s[v < level[0] - step_mm]]
    return np.array([float(_quantile(front, FRONT_QUANTILE)) for front in fronts if len(front)])


def _quantile(values: Array, share: float) -> Array:
    """`numpy.quantile` along the first axis, in a third of its time."""
    place = share * (len(values) - 1)
    low = int(place)
    high = min(low + 1, len(values) - 1)
    ordered = np.partition(values, (low, high), axis=0)
    return np.asarray(ordered[low] + (place - low) * (ordered[high] - ordered[low]))


def _front(s: Array, v: Array, level: Array) -> float:
    """In what length the head widens by a step, on the side where it takes longer."""
    near, far = _reach(s, v, level, COLLAR_STEP_MM), _reach(s, v, level, COLLAR_STEP_MM + FRONT_STEP_MM)
    return float(np.max(near - far)) if len(far) == 2 else ONE_SIDED_MM


def _neck(s: Array, v: Array, level: Array) -> float:
    """Where the head begins: the mean of both sides; where they differ a shadow reaches further than the head."""
    near, far = _reach(s, v, level, COLLAR_STEP_MM), _reach(s, v, level, COLLAR_STEP_MM + FRONT_STEP_MM)
    if not len(near):
        return float(s.max())
    begin = float(near.mean() if np.ptp(near) < SAME_FRONT_MM else near.min())
    rounding = begin - float(far.mean()) - FLAT_FRONT_MM if len(far) else 0.0
    return begin + float(np.clip(rounding, 0.0, MAX_ROUNDING_MM))


def _measure(
    blob: Mask, head: Mask, frame: _Frame, level: Array, straight: float, stray: float, px_per_mm: float
) -> KeyShape:
    """Lengths and likeness of a blob whose head and blade axis are known."""
    whole_s, whole_v = frame.coordinates(_points_mm(blob, px_per_mm))
    head_s, head_v = frame.coordinates(_points_mm(head, px_per_mm))
    width, middle = level[1] - level[0], level.mean()
    inside = np.abs(whole_v - middle) < width / 2
    tip = float(whole_s[inside].max()) if inside.any() else float(whole_s.max())
    neck = _neck(head_s, head_v, level)
    ahead = (whole_s > neck) & (np.abs(whole_v - middle) < 0.5 * width + COLLAR_STEP_MM)
    area = px_per_mm**2
    fill = np.count_nonzero(ahead & inside) / area / max(width * (tip - neck), 1.0)
    across = float(np.ptp(head_v))
    offset = float((head_v.min() + head_v.max()) / 2 - middle)
    parts = (
        _soft(float(np.ptp(whole_s)), WHOLE_MM),
        _soft(tip - neck, BLADE_MM),
        _soft(width, WIDTH_MM),
        _soft(across, HEAD_MM),
        _soft(float(np.ptp(head_s)), HEAD_LENGTH_MM),
        _soft(across / max(width, 1.0), HEAD_OVER_BLADE),
        _soft((tip - neck) / max(across, 1.0), BLADE_OVER_HEAD),
        _soft(_solidity(head), MIN_HEAD_SOLIDITY),
        _soft(len(head_s) / area / max(across * float(np.ptp(head_s)), 1.0), MIN_BOX_FILL),
        _soft(_front(whole_s, whole_v, level), MAX_FRONT_MM),
        _soft(straight, MIN_STRAIGHT),
        _soft(fill, MIN_FILL),
        _soft(abs(offset), MAX_OFFSET_MM),
        _soft(stray, MAX_STRAY),
    )
    head_mm = (float(np.ptp(head_s)), across)
    tip_mm, neck_mm = frame.point(tip, middle), frame.point(neck, middle)
    return KeyShape(tip_mm, neck_mm, float(width), head_mm, offset, float(np.prod(parts)), parts)


def _soft(value: float, limits: tuple[float, float, float]) -> float:
    """1 inside the limits, falling to 0 over the slope beyond them as a Gaussian does."""
    low, high, slope = limits
    beyond = max(low - value, value - high, 0.0)
    return float(np.exp(-0.5 * (beyond / (slope / 2)) ** 2))


def _solidity(mask: Mask) -> float:
    """Area over the area of the convex hull."""
    points = np.asarray(cv2.findNonZero(mask.astype(np.uint8)))
    return float(len(points) / max(cv2.contourArea(cv2.convexHull(points)), 1.0))
