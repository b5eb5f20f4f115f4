"""The card's rims in the photo, located along normals of the predicted outline to a fraction of a pixel.

Each side's straight stretch is cut into stations.  A station is one profile across the side: the mean of many parallel
ones, so that noise and texture average out while the side's bend stays.  Edges that run along the whole side, *ridges*,
are then told apart: the top rim, the lower rim of a wall that faces the camera, and the border of the card's shadow.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales import card
from keyid.scales.camera import Camera

Array = NDArray[np.float64]

STATIONS = 24  # per side: each 2 to 3 mm long, so that a finger or a key hides whole stations
SUBSTATIONS = 12  # profiles averaged in each
STEP_PX = 0.5  # samples along a profile
ARC_STATIONS = 30  # on each corner
ARC_NEAR_PX = 1.5  # an arc's edge is that near to where its sides and its radius have it
ARC_SHARE = 0.35  # of the weaker neighbouring side: an edge at a corner that is weaker is none
NORMAL_MM = 0.1  # the normal is the image of that step outward
LINE_SLACK_PX = 1.5  # a side's bend that the camera doesn't predict yet, and noise
LINE_SPAN = 6  # a line is drawn through stations at least that far apart
RIDGE_SHARE = 0.08  # of the strongest ridge: weaker ones are noise and print
RIDGE_NOISE = 3.0  # times the median slope
SHADE_MM = 0.25  # a rim is rounded: the weaker inner one of two edges that near is its highlight or shade
SHADE_SHARE = 0.35
FOLLOW_PX = 2.5  # a station's edge is looked for that near to the ridge
CLEAR_SHARE = 0.3  # of the ridge's height: a station that shows less is hidden


@dataclass(frozen=True)
class Profiles:
    """Profiles across the sides.

    Attributes
    ----------
    side : ndarray of int, shape (n,)
        Stations of side 0 first, STATIONS for each side.
    along_mm : ndarray, shape (n,)
        Middle of each station.
    base_px, normal_px : ndarray, shape (n, 2)
        Predicted place of the top rim, and the direction outward.
    px_per_mm : ndarray, shape (n,)
        Across the side.
    wall_px : ndarray, shape (n,)
        How far outside the top rim the lower rim would appear; negative where the card hides it.
    offset_px : ndarray, shape (m,)
        Place of each sample along the normal, from the predicted rim, outward positive.
    slope : ndarray, shape (n, m)
        Strength of the colour's change along the normal, in grey levels per pixel.
    """

    side: NDArray[np.int_]
    along_mm: Array
    base_px: Array
    normal_px: Array
    px_per_mm: Array
    wall_px: Array
    offset_px: Array
    slope: Array


@dataclass(frozen=True)
class Corners:
    """Profiles across the round corners.

    Attributes
    ----------
    offset_px : ndarray, shape (m,)
        Place of each sample along the normal, from the predicted rim, outward positive.
    slope : ndarray, shape (4, ARC_STATIONS, m)
        Strength of the colour's change along the normal, in grey levels per pixel.
    slack_px : ndarray, shape (ARC_STATIONS,)
        How far radii within the standard's limits move the arc.
    """

    offset_px: Array
    slope: Array
    slack_px: Array


@dataclass(frozen=True)
class Ridge:
    """An edge that runs along a side.

    Attributes
    ----------
    peak_px : float
        Where it is steepest, outward from the side's line.
    inner_px : float
        How far inside that the slope has fallen to half.
    width_px : float
        From there to where it has fallen to half on the outside.
    height : float
        Median slope at the peak, in grey levels per pixel.
    gaps : int
        Stations on the side's line that show no such edge there: a rim has none but where a finger hides it, print has.
    """

    peak_px: float
    inner_px: float
    width_px: float
    height: float
    gaps: int

    def rim_px(self, sharp_px: float) -> float:
        """Where the rim is, outward from the side's line, when a sharp edge has the given width.

        A shadow beside the card widens its edge outward only, and may be the steeper part of it: so the rim lies half
        a sharp edge outward of the inner foot.
        """
        return self.peak_px - self.inner_px + min(sharp_px / 2, self.inner_px)


@dataclass(frozen=True)
class SideEdges:
    """What is seen along one side.

    Attributes
    ----------
    side : int
    line_px : ndarray, shape (STATIONS,)
        A line along the side, as offsets of the stations.
    seen : ndarray of bool, shape (STATIONS,)
        Stations whose strongest edge lies on that line.
    ridges : tuple of Ridge
        From the inside outward: by its looks the first is the top rim.  Empty when nothing is seen.
    wall_px, px_per_mm : float
        Means of the profiles' values.
    """

    side: int
    line_px: Array
    seen: NDArray[np.bool_]
    ridges: tuple[Ridge, ...]
    wall_px: float
    px_per_mm: float


def sample(pixels: NDArray[np.uint8], camera: Camera, reach_px: float, blur_px: float, join_px: float) -> Profiles:
    """Profiles across the four sides as a camera predicts them.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (height, width, 3)
    camera : Camera
        Of that picture.
    reach_px : float
        How far to look on either side.
    blur_px : float
        Standard deviation of the smoothing along the normal.
    join_px : float
        Standard deviation of the smoothing of the slopes after that: edges nearer than two of it become one.
    """
    side = np.repeat(np.arange(4), STATIONS * SUBSTATIONS)
    share = (np.arange(STATIONS * SUBSTATIONS) + 0.5) / (STATIONS * SUBSTATIONS) * 2 - 1
    along = np.concatenate([share * card.straight_mm(k) for k in range(4)])
    rim = card.side_points_mm(side, along)
    base, normal, density = _across(camera, rim, card.SIDE_NORMALS[side])
    wall = np.sum((camera.project(rim * np.array([1.0, 1.0, 0.0])) - base) * normal, axis=1)
    offset = _offsets(reach_px)
    grid = (base[:, None] + offset[:, None] * normal[:, None]).astype(np.float32)
    inside = np.all((grid >= 0) & (grid <= np.array(pixels.shape[1::-1]) - 1), axis=-1)
    values = _values(pixels, grid).reshape(4 * STATIONS, SUBSTATIONS, len(offset), 3).mean(axis=1)
    slope = _joined(_slope(values, blur_px), join_px)
    slope[~inside.reshape(4 * STATIONS, SUBSTATIONS, -1).all(axis=1)] = 0.0
    unit = _by_station(normal)
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    one = [_by_station(a)[:, 0] for a in (along, density, wall)]
    return Profiles(side[::SUBSTATIONS], one[0], _by_station(base), unit, one[1], one[2], offset, slope)


def sample_corners(
    pixels: NDArray[np.uint8], camera: Camera, reach_px: float, blur_px: float, join_px: float
) -> Corners:
    """Profiles across the round corners as a camera predicts them; parameters as `sample`."""
    arcs, outward = card.arc_points_mm(ARC_STATIONS)
    base, normal, density = _across(camera, arcs.reshape(-1, 3), outward.reshape(-1, 2))
    slack = float(density.mean()) * card.RADIUS_LIMIT_MM * (np.sum(_arc_turns(), axis=0) - 1)
    offset = _offsets(reach_px)
    values = _values(pixels, (base[:, None] + offset[:, None] * normal[:, None]).astype(np.float32))
    slope = _joined(_slope(values.astype(np.float64), blur_px), join_px)
    return Corners(offset, slope.reshape(4, ARC_STATIONS, -1), slack)


def _arc_turns() -> Array:
    """How much of a move outward of the side before a corner, and of the one after it, each station makes; (2, n)."""
    turn = (np.arange(ARC_STATIONS) + 0.5) / ARC_STATIONS * np.pi / 2
    return np.stack([np.cos(turn), np.sin(turn)])


def _offsets(reach_px: float) -> Array:
    """Places of samples along a normal."""
    return np.arange(-np.ceil(reach_px), np.ceil(reach_px) + STEP_PX / 2, STEP_PX)


def _values(pixels: NDArray[np.uint8], grid: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Colours at points (n, m, 2)."""
    values = cv2.remap(pixels, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values, np.uint8)


def _by_station(values: Array) -> Array:
    """Means of each station, shape (n, columns)."""
    return np.asarray(values.reshape(4 * STATIONS, SUBSTATIONS, -1).mean(axis=1))


def _across(camera: Camera, rim_mm: Array, outward: Array) -> tuple[Array, Array, Array]:
    """Pixels of places on the top rim (n, 3), unit normals there, and pixels per mm across; ``outward`` is (n, 2)."""
    base = camera.project(rim_mm)
    normal = camera.project(rim_mm + NORMAL_MM * np.column_stack([outward, np.zeros(len(outward))])) - base
    size = np.linalg.norm(normal, axis=1)
    return base, normal / size[:, None], size / NORMAL_MM


def _slope(values: Array, blur_px: float) -> Array:
    """Norm over the colours of the derivative of a Gaussian, per pixel, shape (n, m)."""
    half = int(np.ceil(3 * blur_px / STEP_PX))
    x = np.arange(-half, half + 1) * STEP_PX
    kernel = -x * np.exp(-(x**2) / (2 * blur_px**2))
    kernel /= -np.sum(kernel * x)
    flat = values.transpose(0, 2, 1).reshape(-1, values.shape[1]).astype(np.float32)
    change = cv2.filter2D(flat, cv2.CV_32F, kernel[None], borderType=cv2.BORDER_REPLICATE)
    colours = change.reshape(len(values), values.shape[2], -1).astype(np.float64)
    return np.asarray(np.sqrt(np.sum(colours**2, axis=1)))


def slopes_between(pixels: NDArray[np.uint8], start_px: Array, end_px: Array, share: Array) -> Array:
    """Strength of the colour's change along lines, per step of the given even shares of the way; shape (n, m)."""
    grid = (start_px[:, None] + share[:, None] * (end_px - start_px)[:, None]).astype(np.float32)
    return _joined(_slope(_values(pixels, grid).astype(np.float64), 1.0), 1.0)


def _joined(slope: Array, join_px: float) -> Array:
    """Slopes smoothed along the normal, so that neighbouring edges become one."""
    reach = 2 * int(np.ceil(3 * join_px / STEP_PX)) + 1
    return np.asarray(cv2.GaussianBlur(slope, (reach, 1), join_px / STEP_PX), np.float64)


def peak_near(profiles: Profiles, centre_px: Array, reach_px: float) -> tuple[Array, Array]:
    """Offset and height of the strongest edge within a reach of a centre, for each station; height 0 where none is."""
    near = np.abs(profiles.offset_px - centre_px[:, None]) <= reach_px
    slope = profiles.slope
    top = _tops(slope)
    at = np.clip(np.where(near & top, slope, 0.0).argmax(axis=1), 1, slope.shape[1] - 2)
    rows = np.arange(len(at))
    before, here, after = (slope[rows, at + k] for k in (-1, 0, 1))
    found = (near & top)[rows, at]
    return profiles.offset_px[at] + STEP_PX * _vertex(before, here, after), np.where(found, here, 0.0)


def _vertex(before: Array, here: Array, after: Array) -> Array:
    """Place of a parabola's top, in samples from the middle one of three."""
    bend = np.minimum(before - 2 * here + after, -1e-9)
    return np.asarray(np.clip(0.5 * (before - after) / bend, -1, 1))


def side_edges(profiles: Profiles, reach_px: float, inward_px: float) -> tuple[SideEdges, ...]:
    """Tell the edges along each side apart.

    Parameters
    ----------
    profiles : Profiles
    reach_px : float
        How far from the prediction the strongest edge is looked for.
    inward_px : float
        How far inward from the strongest edge a weaker one may be the rim.
    """
    offset, height = peak_near(profiles, np.zeros(len(profiles.side)), reach_px)
    return tuple(_one_side(profiles, k, offset, height, inward_px) for k in range(4))


def _one_side(profiles: Profiles, side: int, offset: Array, height: Array, inward_px: float) -> SideEdges:
    """Edges of one side."""
    here = profiles.side == side
    line, seen = _line_through(profiles.along_mm[here], offset[here], height[here])
    density, wall = float(profiles.px_per_mm[here].mean()), float(profiles.wall_px[here].mean())
    aligned = _aligned(profiles.slope[here][seen], line[seen], profiles.offset_px)
    ridges = _ridges(aligned, profiles.offset_px, density, inward_px)
    return SideEdges(side, line, seen, ridges, wall, density)


def _line_through(along: Array, offset: Array, height: Array) -> tuple[Array, NDArray[np.bool_]]:
    """The straight line that most stations' edges lie on, and which do."""
    i, j = np.triu_indices(len(along), LINE_SPAN)
    slope = (offset[j] - offset[i]) / (along[j] - along[i])
    lines = offset[i, None] + slope[:, None] * (along - along[i, None])
    near = (np.abs(lines - offset) < LINE_SLACK_PX) & (height > 0)
    seen = near[np.argmax(near.sum(axis=1))]
    if seen.sum() < 2:
        return np.zeros(len(along)), seen
    line = np.asarray(np.polynomial.Polynomial.fit(along[seen], offset[seen], 1)(along))
    return line, np.asarray((np.abs(line - offset) < LINE_SLACK_PX) & (height > 0))


def _aligned(slope: Array, line: Array, offset: Array) -> Array:
    """The stations' slopes, each moved so that the line is at 0; shape (seen, m)."""
    moved = [np.interp(offset + shift, offset, row, 0.0, 0.0) for row, shift in zip(slope, line, strict=True)]
    return np.asarray(moved).reshape(-1, len(offset))


def _ridges(aligned: Array, offset: Array, px_per_mm: float, inward_px: float) -> tuple[Ridge, ...]:
    """Ridges of a side's median profile, from the inside outward."""
    if len(aligned) == 0:
        return ()
    mean = np.median(aligned, axis=0)
    inner = (mean[1:-1] >= mean[:-2]) & (mean[1:-1] > mean[2:]) & (offset[1:-1] >= -inward_px)
    tops = np.flatnonzero(inner) + 1
    if len(tops) == 0:
        return ()
    floor = max(RIDGE_SHARE * mean[tops].max(), RIDGE_NOISE * float(np.quantile(mean, 0.25)))
    joined: list[Ridge] = []
    kept = tops[(mean[tops] > floor) | (np.abs(offset[tops]) < LINE_SLACK_PX)]  # most stations agree on the line's own
    for ridge in (_ridge(mean, aligned, offset, int(k)) for k in kept):
        if joined and _is_shade(joined[-1], ridge, px_per_mm):
            joined.pop()
        joined.append(ridge)
    return tuple(joined)


def _ridge(mean: Array, aligned: Array, offset: Array, top: int) -> Ridge:
    """One ridge of a median profile of aligned stations."""
    before, here, after = mean[top - 1 : top + 2]
    at = float(offset[top] + STEP_PX * _vertex(before, here, after))
    outward = offset[top] + STEP_PX * _until_half(mean[top:])
    inward = offset[top] - STEP_PX * _until_half(mean[top::-1])
    gaps = int(np.sum(~_shows(aligned, np.abs(offset - at) < FOLLOW_PX, here)))
    return Ridge(at, at - inward, outward - inward, float(here), gaps)


def _shows(slope: Array, near: NDArray[np.bool_], height: float) -> NDArray[np.bool_]:
    """Which stations have an edge among the samples near a ridge that isn't much weaker than it."""
    return np.asarray(np.any(_tops(slope) & near & (slope > CLEAR_SHARE * height), axis=1))


def arc_gaps(corner: int, corners: Corners, height: Array, before_px: Array, after_px: Array) -> NDArray[np.int_]:
    """At how many of its stations a corner shows no edge where the arc would be.

    Parameters
    ----------
    corner : int
        0 to 3.
    corners : Corners
    height : ndarray
        Slope of the weaker of the two sides' edges.
    before_px, after_px : ndarray
        How far outside its prediction the side before and the one after it ends; these three broadcast.

    Returns
    -------
    ndarray of int
        In the shape to which they broadcast.
    """
    before, after = _arc_turns()
    place = before * before_px[..., None] + after * after_px[..., None]
    slope = corners.slope[corner]
    near = np.abs(corners.offset_px - place[..., None]) < ARC_NEAR_PX + corners.slack_px[:, None]
    shown = near & _tops(slope) & (slope > ARC_SHARE * height[..., None, None])
    return np.asarray(np.sum(~np.any(shown, axis=-1), axis=-1))


def _tops(slope: Array) -> NDArray[np.bool_]:
    """Local maxima along each row."""
    top = np.zeros(slope.shape, bool)
    top[..., 1:-1] = (slope[..., 1:-1] >= slope[..., :-2]) & (slope[..., 1:-1] > slope[..., 2:])
    return top


def _until_half(falling: Array) -> float:
    """How many samples a profile takes to fall to half of its first; all of them where it never does."""
    half = falling[0] / 2
    below = int(np.argmax(falling < half))
    if below == 0:
        return float(len(falling) - 1)
    return below - float((half - falling[below]) / (falling[below - 1] - falling[below]))


def _is_shade(inner: Ridge, outer: Ridge, px_per_mm: float) -> bool:
    """Whether the inner of two ridges is but a highlight or shade on the rounded rim that the outer one shows."""
    apart = (outer.peak_px - inner.peak_px) / px_per_mm
    return apart < SHADE_MM and inner.height < SHADE_SHARE * outer.height


def follow(profiles: Profiles, centre_px: Array, ridge_of: tuple[Ridge, ...]) -> tuple[Array, NDArray[np.bool_]]:
    """The edge nearest to a centre at each station.

    Parameters
    ----------
    profiles : Profiles
    centre_px : ndarray, shape (n,)
        Offsets to look at.
    ridge_of : tuple of Ridge
        The ridge that each side's stations belong to.

    Returns
    -------
    offset_px : ndarray, shape (n,)
    seen : ndarray of bool, shape (n,)
        False where no edge is near, or only a much weaker one than the ridge.
    """
    height = np.array([ridge.height for ridge in ridge_of])[profiles.side]
    slope = profiles.slope
    top = _tops(slope)
    top &= slope > CLEAR_SHARE * height[:, None]
    far = np.where(top, np.abs(profiles.offset_px - centre_px[:, None]), np.inf)
    at = np.clip(far.argmin(axis=1), 1, slope.shape[1] - 2)
    rows = np.arange(len(at))
    before, here, after = (slope[rows, at + k] for k in (-1, 0, 1))
    offset = profiles.offset_px[at] + STEP_PX * _vertex(before, here, after)
    return offset, far[rows, at] < FOLLOW_PX
