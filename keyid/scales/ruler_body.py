"""How far a ruler reaches around its marks: its long edges and its ends, for keeping it apart from the key."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.photos.photo import Photo
from keyid.scales.camera import Camera

Array = NDArray[np.float64]

STEP_MM = 0.1
NEAR_MM = 2.5  # beyond the marks' outer ends, where the near edge lies
WIDTHS_MM = (10.0, 60.0)  # of rulers (common practice, no source)
USUAL_WIDTH_MM = 25.0  # where the far edge doesn't show
BEYOND_MM = 0.3  # nearer edges are the last mark's own
PAST_MM = 25.0  # beyond the last mark, where the end lies
USUAL_PAST_MM = 6.0
STATIONS = 48
STEADY = 0.6  # share of the stations that must show an edge for it to be the body's
CLEAR = 3.0  # times the median slope
BORDER_PX = 1.0


@dataclass(frozen=True)
class Span:
    """A stretch along one axis, in mm."""

    first: float
    last: float


def outline(photo: Photo, camera: Camera, height_mm: float, marks: Span, reach: tuple[float, float]) -> Array:
    """The ruler's outline in pixels, as far as the photo shows it, shape (4, 2).

    Parameters
    ----------
    photo : Photo
    camera : Camera
        World x along the ruler.
    height_mm : float
        Of its top face.
    marks : Span
        From the first mark to the last.
    reach : tuple of float
        Between which y the shortest marks run.
    """
    middle = (reach[0] + reach[1]) / 2
    x = np.linspace(marks.first, marks.last, STATIONS)
    sides = [_edge(photo, camera, height_mm, x, middle, way, WIDTHS_MM[1], True) for way in (-1, 1)]
    low, high = _sides(sides, [abs(end - middle) for end in reach])
    y = (middle - low, middle + high)
    across = np.linspace(*y, STATIONS + 2)[1:-1]
    beyond = [
        _edge(photo, camera, height_mm, across, end, way, PAST_MM, False)
        for end, way in ((marks.first, -1), (marks.last, 1))
    ]
    ends = [_beyond(edges, BEYOND_MM) or USUAL_PAST_MM for edges in beyond]
    first, last = _in_picture(photo, camera, height_mm, (marks.first - ends[0], marks.last + ends[1]), y)
    corners = np.array([[first, y[0]], [last, y[0]], [last, y[1]], [first, y[1]]])
    return camera.project(np.column_stack([corners, np.full(4, height_mm)]))


def _sides(edges: list[Array], reach_mm: list[float]) -> tuple[float, float]:
    """How far the body reaches to both sides of the marks: one long edge is near their ends, the other far off."""
    near = [_within(side, reach + NEAR_MM) for side, reach in zip(edges, reach_mm, strict=True)]
    far = [_beyond(side, WIDTHS_MM[0]) or USUAL_WIDTH_MM for side in edges]
    if near[0] is None and near[1] is not None:
        return far[0], near[1]
    return near[0] or reach_mm[0], far[1]


def _edge(
    photo: Photo, camera: Camera, height_mm: float, at: Array, start: float, way: int, reach: float, across: bool
) -> Array:
    """Distances from a start at which an edge runs along most stations."""
    distance = np.arange(0.0, reach, STEP_MM)
    one, two = np.meshgrid(at, start + way * distance, indexing="ij")
    plan = np.stack([one, two] if across else [two, one], axis=-1)
    places = camera.project(np.concatenate([plan, np.full((*plan.shape[:2], 1), height_mm)], axis=-1)).astype(
        np.float32
    )
    values = cv2.remap(photo.pixels, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    smooth = cv2.GaussianBlur(values.astype(np.float64), (0, 0), sigmaX=1.5, sigmaY=0.5)
    slope = np.linalg.norm(np.gradient(smooth, axis=1), axis=2)
    wide = cv2.dilate(slope, np.ones((1, 5)))
    share = np.mean(wide > CLEAR * np.median(slope) + 0.5, axis=0)
    strength = np.median(slope, axis=0)
    top = np.r_[False, (strength[1:-1] >= strength[:-2]) & (strength[1:-1] > strength[2:]), False]
    found = np.flatnonzero(top & (share > STEADY))
    return distance[found[np.argsort(-strength[found])]]


def _within(distances: Array, most: float) -> float | None:
    """The boldest edge nearer than that."""
    good = distances[distances < most]
    return float(good[0]) if len(good) else None


def _beyond(distances: Array, least: float) -> float | None:
    """The boldest edge farther than that."""
    good = distances[distances > least]
    return float(good[0]) if len(good) else None


def _in_picture(
    photo: Photo, camera: Camera, height_mm: float, ends: tuple[float, float], y: tuple[float, float]
) -> tuple[float, float]:
    """The part of a stretch along x that the photo shows at the middle of the ruler."""
    x = np.arange(ends[0], ends[1], 0.5)
    places = camera.project(np.column_stack([x, np.full(len(x), sum(y) / 2), np.full(len(x), height_mm)]))
    size = np.array([photo.width_px, photo.height_px])
    inside = np.all((places > BORDER_PX) & (places < size - BORDER_PX), axis=1)
    return (float(x[inside].min()), float(x[inside].max())) if inside.any() else ends
