"""Where coins may lie: round figures of the shrunk photo.

Edges vote along their gradients for the centres of circles.  Each place that gets many votes is then looked at along
rays from its centre, and an ellipse is drawn through the edges that go round.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales.lens import resized_point

Array = NDArray[np.float64]

VOTE_PX = 500  # long side of the picture for the voting: a coin in it is 24 to 200 px wide
MIN_RADIUS_PX, MAX_RADIUS_PX, RADIUS_STEP = 12.0, 110.0, 1.08  # of that picture; holes in keys' heads are smaller
STRONG_SHARE = 0.15  # of its pixels vote
CONTRAST_CAP = 20.0  # grey levels per pixel: bolder edges count no more
SMEAR = 0.07  # of the radius: under 30 degrees of tilt votes for the centre scatter by up to that
MAX_PLACES = 40
RAYS = 120
REACHES = (0.3, 0.15, 0.08, 0.05)  # of the radius: how far from the last ellipse edges are looked for
MIN_FLATNESS = 0.76  # short over long axis: 40 degrees of tilt
NEAR_PX, NEAR_SHARE = 1.0, 0.02  # an edge lies on the ellipse within that, and that share of its size: the wall shows
CLEAR = 0.3  # of the median of all rays: a weaker edge is none
MIN_SLOPE = 0.5  # grey levels per pixel: noise has that
MIN_ROUND = 0.8  # share of the rays that must meet the ellipse: round heads have theirs broken by the blade
SAME_CENTRE = 0.35  # of the larger radius: nearer figures are rings of one coin
RING_SHARE = 0.93  # a ring inside a coin's rim may be seen a little better all round than the rim itself


@dataclass(frozen=True)
class Ellipse:
    """An ellipse in pixels.

    Attributes
    ----------
    centre_px : tuple of float
    axes_px : tuple of float
        Half axes, the longer first.
    angle_rad : float
        Direction of the longer one.
    roundness : float
        Share of the directions in which an edge lies on it.
    """

    centre_px: tuple[float, float]
    axes_px: tuple[float, float]
    angle_rad: float
    roundness: float

    def points(self, count: int) -> Array:
        """Points on it, shape (count, 2)."""
        at = (np.arange(count) + 0.5) / count * 2 * np.pi
        long, short = self.axes_px[0] * np.cos(at), self.axes_px[1] * np.sin(at)
        cos, sin = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return np.column_stack([long * cos - short * sin, long * sin + short * cos]) + self.centre_px

    def resized(self, factor: float) -> Ellipse:
        """The same in the picture resized by a factor."""
        long, short = (value * factor for value in self.axes_px)
        return Ellipse(resized_point(self.centre_px, factor), (long, short), self.angle_rad, self.roundness)


def find_ellipses(small: NDArray[np.uint8]) -> list[Ellipse]:
    """Round figures of the shrunk photo, likeliest first; of rings within each other the outermost.

    Of those that are nearly as round as the roundest the largest comes first: keys have round holes.
    """
    found = [ellipse for place in _places(small) if (ellipse := _trace(small, *place)) is not None]
    groups: list[list[Ellipse]] = []
    for ellipse in sorted(found, key=lambda one: -one.axes_px[0]):
        near = [group for group in groups if _within(ellipse, group[0])]
        if near:
            near[0].append(ellipse)
        else:
            groups.append([ellipse])
    outer = [_outermost(group) for group in groups]
    least = MIN_RADIUS_PX * max(small.shape) / VOTE_PX
    round_ones = [one for one in outer if one.roundness > MIN_ROUND and one.axes_px[1] > least]
    clear = RING_SHARE * max((one.roundness for one in round_ones), default=0.0)
    return sorted(round_ones, key=lambda one: (one.roundness < clear, -one.axes_px[0]))


def _within(inner: Ellipse, outer: Ellipse) -> bool:
    apart = np.hypot(*np.subtract(inner.centre_px, outer.centre_px))
    return bool(apart < SAME_CENTRE * outer.axes_px[0])


def _outermost(group: list[Ellipse]) -> Ellipse:
    """The largest of those seen nearly as well all round as the best."""
    best = max(one.roundness for one in group)
    return next(one for one in group if one.roundness >= RING_SHARE * best)


def _places(small: NDArray[np.uint8]) -> list[tuple[Array, float]]:
    """Centres and radii with many votes, in pixels of the shrunk photo."""
    factor = min(1.0, VOTE_PX / max(small.shape))
    grey = cv2.GaussianBlur(cv2.resize(small, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    points, direction, weight = _voters(np.asarray(grey, np.uint8))
    radii = MIN_RADIUS_PX * RADIUS_STEP ** np.arange(np.log(MAX_RADIUS_PX / MIN_RADIUS_PX) / np.log(RADIUS_STEP) + 1)
    votes = np.stack([_votes(points, direction, weight, radius, grey.shape[:2]) for radius in radii])
    top = votes == cv2.dilate(votes.max(axis=0), np.ones((5, 5)))[None]
    layer, row, column = np.nonzero(top & (votes > 0))
    best = np.argsort(-votes[layer, row, column])[:MAX_PLACES]
    centres = (np.column_stack([column, row])[best] + 0.5) / factor - 0.5
    return list(zip(centres, radii[layer[best]] / factor, strict=True))


def _voters(picture: NDArray[np.uint8]) -> tuple[Array, Array, Array]:
    """Pixels with strong edges, the directions across them, and how much they count."""
    dx, dy = (cv2.Sobel(picture, cv2.CV_64F, *order, scale=1 / 8) for order in ((1, 0), (0, 1)))
    strongest = np.hypot(dx, dy).argmax(axis=2)[..., None]
    dx, dy = (np.take_along_axis(slope, strongest, 2)[..., 0] for slope in (dx, dy))
    size = np.hypot(dx, dy)
    rows, columns = np.nonzero(size > max(np.quantile(size, 1 - STRONG_SHARE), 0.5))
    size = size[rows, columns]
    direction = np.column_stack([dx[rows, columns], dy[rows, columns]]) / size[:, None]
    return np.column_stack([columns, rows]).astype(float), direction, np.minimum(size, CONTRAST_CAP)


def _votes(points: Array, direction: Array, weight: Array, radius: float, shape: tuple[int, int]) -> Array:
    """Votes for centres of circles with a radius, over their circumference, shape of the picture."""
    both = np.concatenate([points + radius * direction, points - radius * direction])
    at = np.rint(both).astype(int)
    inside = np.all((at >= 0) & (at < np.array(shape[::-1])), axis=1)
    flat = at[inside, 1] * shape[1] + at[inside, 0]
    if len(flat) == 0:
        return np.zeros(shape)
    count = np.bincount(flat, np.concatenate([weight, weight])[inside], shape[0] * shape[1])
    return np.asarray(cv2.GaussianBlur(count.reshape(shape), (0, 0), max(1.0, SMEAR * radius)) * radius)


def _trace(small: NDArray[np.uint8], centre: Array, radius: float) -> Ellipse | None:
    """An ellipse through the edges around a place; None where they don't go round."""
    ellipse = Ellipse((float(centre[0]), float(centre[1])), (radius, radius), 0.0, 0.0)
    for reach in REACHES:
        rim = ellipse.points(RAYS)
        share = np.linspace(1 - reach, 1 + reach, 2 * int(np.ceil(reach * ellipse.axes_px[0] / 0.5)) + 1)
        slope = _slopes(small, np.asarray(ellipse.centre_px), rim, share)
        at = slope.argmax(axis=1)
        height = slope.max(axis=1)
        clear = height > CLEAR * np.median(height) + MIN_SLOPE
        if clear.sum() < RAYS / 3:
            return None
        seen = np.asarray(ellipse.centre_px) + share[at][:, None] * (rim - ellipse.centre_px)
        drawn = fit_robustly(seen[clear])
        if drawn is None:
            return None
        ellipse = drawn
    near = _off(ellipse, seen) < NEAR_PX + NEAR_SHARE * ellipse.axes_px[0]
    return Ellipse(ellipse.centre_px, ellipse.axes_px, ellipse.angle_rad, float(np.mean(near & clear)))


def _slopes(picture: NDArray[np.uint8], centre: Array, rim: Array, share: Array) -> Array:
    """Strength of the colour's change along rays from a centre, at shares of the way to the rim."""
    grid = (centre + share[None, :, None] * (rim - centre)[:, None]).astype(np.float32)
    values = cv2.remap(picture, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    smooth = cv2.GaussianBlur(values.astype(np.float64), (5, 1), 1.2)
    return np.asarray(np.linalg.norm(np.gradient(smooth, axis=1), axis=2))


def fit_robustly(points: Array) -> Ellipse | None:
    """An ellipse through most of the points: drawn, then drawn again without the third that lies farthest off."""
    kept = points
    for _ in range(3):
        ellipse = _fit(kept)
        if ellipse is None:
            return None
        off = _off(ellipse, points)
        kept = points[off <= max(np.quantile(off, 0.67), 0.3)]
    return ellipse


def _fit(points: Array) -> Ellipse | None:
    """The ellipse through points by OpenCV's direct least squares; None where it is too flat for a coin."""
    if len(points) < 12:
        return None
    centre, (width, height), degrees = cv2.fitEllipseDirect(points.astype(np.float32).reshape(-1, 1, 2))
    turn = degrees if width >= height else degrees + 90
    long, short = max(width, height) / 2, min(width, height) / 2
    if not short > MIN_FLATNESS * long:
        return None
    return Ellipse((float(centre[0]), float(centre[1])), (long, short), float(np.radians(turn)), 0.0)


def _off(ellipse: Ellipse, points: Array) -> Array:
    """How far points lie off an ellipse, in pixels, to first order."""
    cos, sin = np.cos(ellipse.angle_rad), np.sin(ellipse.angle_rad)
    own = (points - ellipse.centre_px) @ np.array([[cos, -sin], [sin, cos]])
    scaled = np.linalg.norm(own / ellipse.axes_px, axis=1)
    return np.asarray(np.abs(scaled - 1) * np.linalg.norm(own, axis=1) / np.maximum(scaled, 1e-9))
