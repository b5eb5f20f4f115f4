"""Whether a blob on the table has the shape of a key, and where its blade lies.

A key is a head wider than its blade and a long narrow blade with two nearly parallel sides that points away from it.
The head is what survives an opening with a disk wider than any blade; the blade is the longest thing that doesn't.
The blade's direction comes from its straight sides: an edge that is cut still touches its uncut line between cuts, and
the collar behind a shoulder is parallel to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Ranges of flat keys in mm, with the width of the soft slope beyond each end (common practice, no source).
WHOLE_MM = (35.0, 100.0, 8.0)
BLADE_MM = (18.0, 48.0, 5.0)  # with the collar behind the shoulder
WIDTH_MM = (4.8, 12.5, 1.2)
HEAD_MM = (16.0, 42.0, 4.0)
HEAD_OVER_BLADE = (1.5, 7.0, 0.4)

FIRST_DISK_MM = 13.5  # wider than any blade, narrower than any head; some collars are as wide
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
MAX_FRONT_MM = (-1.0, 3.5, 2.0)  # in which the head widens by that step on each side: under 2 for an oval
MIN_STRAIGHT = (0.3, 2.0, 0.15)
MIN_FILL = (0.62, 1.2, 0.12)
MAX_OFFSET_MM = (-1.0, 4.0, 2.5)  # head's middle off the blade's mid-line
MAX_STRAY = (-1.0, 0.04, 0.06)  # share of the blob that is neither head nor blade


@dataclass(frozen=True)
class KeyShape:
    """A blob read as a key; lengths in mm in the blob's own frame (x right, y down).

    Attributes
    ----------
    tip_mm, neck_mm : ndarray, shape (2,)
        Mid-line points at the tip and where the blade leaves the head.
    width_mm : float
        Across the uncut blade.
    head_mm : tuple of float
        Length of the head along the blade's axis, and across it.
    likeness : float
        0 (not a key) to 1.
    parts : tuple of float
        The factors of the likeness: whole length, blade length, width, head width, head over blade, solidity, box fill,
        front, straightness, fill, offset, stray.
    """

    tip_mm: Array
    neck_mm: Array
    width_mm: float
    head_mm: tuple[float, float]
    likeness: float
    parts: tuple[float, ...]


def read_shape(blob: Mask, px_per_mm: float) -> KeyShape | None:
    """Read a filled blob as a key; None when it has no head or no blade at all."""
    head = _open(blob, FIRST_DISK_MM * px_per_mm)
    blade = _longest_arm(blob & ~head, head, px_per_mm)
    if blade is None:
        return None
    frame = _axis(blade, head, px_per_mm)
    sides = _sides(blob, head, frame, px_per_mm)
    if sides is None:
        return None
    frame, level, straight = sides
    width = float(level[1] - level[0])
    widest = 2 * cv2.distanceTransform(head.astype(np.uint8), cv2.DIST_L2, 5).max() / px_per_mm
    disk = min(DISK_PER_WIDTH * width + DISK_EXTRA_MM, DISK_OF_HEAD * widest)
    head = _open(blob, disk * px_per_mm)
    if not head.any():
        return None
    return _measure(blob, head, frame, level, straight, px_per_mm)


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

    def turned(self, angle_rad: float) -> _Frame:
        cos, sin = np.cos(angle_rad), np.sin(angle_rad)
        return _Frame(np.array([[cos, -sin], [sin, cos]]) @ self.along)


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


def _points_mm(mask: Mask, px_per_mm: float) -> Array:
    return np.argwhere(mask)[:, ::-1] / px_per_mm


def _longest_arm(rest: Mask, head: Mask, px_per_mm: float) -> Mask | None:
    """Of what the head leaves over, the part that reaches farthest from it."""
    if not head.any():
        return None
    count, labels, _, _ = cv2.connectedComponentsWithStats(rest.astype(np.uint8), connectivity=4)
    away = cv2.distanceTransform((~head).astype(np.uint8), cv2.DIST_L2, 5) / px_per_mm
    reaches = [float(away[labels == label].max()) for label in range(1, count)]
    if not reaches or max(reaches) < BLADE_MM[0] - BLADE_MM[2]:
        return None
    return np.asarray(labels == 1 + int(np.argmax(reaches)))


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


def _sides(blob: Mask, head: Mask, frame: _Frame, px_per_mm: float) -> tuple[_Frame, Array, float] | None:
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
    turns = np.radians(np.arange(-TURN_DEG, TURN_DEG + 1e-9, TURN_STEP_DEG))
    fits = [_fit_sides(upper, lower, aim, frame.turned(turn)) for turn in turns]
    best = int(np.argmax([fit[0] for fit in fits]))
    return frame.turned(turns[best]), fits[best][1], fits[best][2]


def _fit_sides(upper: Array, lower: Array, aim: Array, frame: _Frame) -> tuple[float, Array, float]:
    """How well a direction fits both sides; their levels; the root mean square of the shares on their lines."""
    outer = [frame.coordinates(lower)[1], frame.coordinates(upper)[1]]
    level = np.array([np.quantile(outer[0], SIDE_SHARE), np.quantile(outer[1], 1 - SIDE_SHARE)])
    expected = (SURE_BLADE_MM - TIP_TAPER_MM) / STEP_MM
    shares = [np.count_nonzero(np.abs(v - at) < NEAR_LINE_MM) / expected for v, at in zip(outer, level, strict=True)]
    straight = float(np.sqrt(np.mean(np.minimum(shares, 1.0) ** 2)))
    miss = frame.coordinates(aim)[1] - level.mean()
    return straight * float(np.exp(-0.25 * (miss / AIM_SD_MM) ** 2)), level, straight


def _reach(s: Array, v: Array, level: Array, step_mm: float) -> float:
    """How far toward the tip the head reaches that far outside the blade's lines; mean of both sides."""
    fronts = [s[v > level[1] + step_mm], s[v < level[0] - step_mm]]
    reached = [float(np.quantile(front, 0.999)) for front in fronts if len(front)]
    return float(np.mean(reached)) if reached else float(s.max())


def _measure(blob: Mask, head: Mask, frame: _Frame, level: Array, straight: float, px_per_mm: float) -> KeyShape:
    """Lengths and likeness of a blob whose head and blade axis are known."""
    whole_s, whole_v = frame.coordinates(_points_mm(blob, px_per_mm))
    head_s, head_v = frame.coordinates(_points_mm(head, px_per_mm))
    width, middle = level[1] - level[0], level.mean()
    inside = np.abs(whole_v - middle) < width / 2
    tip = float(whole_s[inside].max()) if inside.any() else float(whole_s.max())
    neck = _reach(head_s, head_v, level, COLLAR_STEP_MM)
    ahead = (whole_s > neck) & (np.abs(whole_v - middle) < 0.5 * width + COLLAR_STEP_MM)
    area = px_per_mm**2
    fill = np.count_nonzero(ahead & inside) / area / max(width * (tip - neck), 1.0)
    stray = 1 - (np.count_nonzero(ahead) + len(head_s)) / max(len(whole_s), 1)
    across = float(np.ptp(head_v))
    steps = (COLLAR_STEP_MM, COLLAR_STEP_MM + FRONT_STEP_MM)
    front = float(np.subtract(*(_reach(whole_s, whole_v, level, step) for step in steps)))
    offset = abs(float(head_v.min() + head_v.max()) / 2 - middle)
    parts = (
        _soft(float(np.ptp(whole_s)), WHOLE_MM),
        _soft(tip - neck, BLADE_MM),
        _soft(width, WIDTH_MM),
        _soft(across, HEAD_MM),
        _soft(across / max(width, 1.0), HEAD_OVER_BLADE),
        _soft(_solidity(head), MIN_HEAD_SOLIDITY),
        _soft(len(head_s) / area / max(across * float(np.ptp(head_s)), 1.0), MIN_BOX_FILL),
        _soft(front, MAX_FRONT_MM),
        _soft(straight, MIN_STRAIGHT),
        _soft(fill, MIN_FILL),
        _soft(offset, MAX_OFFSET_MM),
        _soft(stray, MAX_STRAY),
    )
    head_mm = (float(np.ptp(head_s)), across)
    tip_mm, neck_mm = frame.point(tip, middle), frame.point(neck, middle)
    return KeyShape(tip_mm, neck_mm, float(width), head_mm, float(np.prod(parts)), parts)


def _soft(value: float, limits: tuple[float, float, float]) -> float:
    """1 inside the limits, falling to 0 over the slope beyond them as a Gaussian does."""
    low, high, slope = limits
    beyond = max(low - value, value - high, 0.0)
    return float(np.exp(-0.5 * (beyond / (slope / 2)) ** 2))


def _solidity(mask: Mask) -> float:
    """Area over the area of the convex hull."""
    points = np.argwhere(mask)[:, ::-1].astype(np.int32).reshape(-1, 1, 2)
    return float(len(points) / max(cv2.contourArea(cv2.convexHull(points)), 1.0))
