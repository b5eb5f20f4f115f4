"""How sharp a photo is: the width of its edges, at the reference's rim and, where none was found, anywhere."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales.scale import Scale

Array = NDArray[np.float64]

# Standard deviation of the blur: at 0.3 mm a blade measured 0.36 mm too narrow, at 0.16 mm it was right.  The rendered
# photos have 0.03 to 0.07 mm, as sent by messengers and as screenshots up to 0.14 mm.
MAX_RIM_BLUR_MM = 0.20
MAX_BLUR_PART = 0.0012  # of the long side; the rendered photos have up to 0.0004, and at 0.003 no card is found
SHRUNK_PX = 1600  # long side at which a whole photo is judged
SIDES = 12  # stretches of the rim, each judged by itself: a shaken photo blurs some directions only
BLURRED_SHARE = 75  # percentile of the stretches: some look wider than they are, by print close to the rim
SAMPLES_A_SIDE = 24
REACH_MM = 1.2  # looked at on each side of the rim: a rim that is not over within that is told by the whole photo
REACH_PART = 0.025  # of the long side, for a whole photo
STEP_PX = 0.5
STRONGEST_PART = 0.004  # of the pixels: the edges by which a whole photo is judged
STRONGEST_MOST = 400
SHARP_SHARE = 20  # percentile: a sharp photo has blurred edges too, a blurred one has no sharp ones
LEAST_STEP = 12.0  # grey levels across an edge, below which its width is noise
FWHM_TO_SD = 2.3548  # of a normal distribution: 2 sqrt(2 ln 2)

ADVICE = "Hold the phone still, tap on the key so that it focuses there, and take the photo again."


def with_blur(photo: Photo, scale: Scale) -> Scale:
    """The scale with the blur at its reference's rim.

    Raises PhotoError ``too-blurred`` when that is too much for a key to be measured, or when the rim is too faint or
    too blurred to tell and no edge anywhere in the photo is sharp.
    """
    density = scale_px_per_mm(scale)
    blur_px = rim_blur_px(photo, scale.outline_px, density)
    if blur_px is None:
        check_photo(photo)
    elif blur_px / density > MAX_RIM_BLUR_MM:
        raise PhotoError("too-blurred", "This photo is too blurred to measure a key in.", ADVICE)
    return replace(scale, blur_px=blur_px)


def check_photo(photo: Photo) -> None:
    """Raise PhotoError ``too-blurred`` when no edge anywhere in the photo is sharp."""
    if photo_blur_part(photo) > MAX_BLUR_PART:
        raise PhotoError("too-blurred", "This photo is too blurred to find anything in it.", ADVICE)


def scale_px_per_mm(scale: Scale) -> float:
    """Return the scale at the reference's centre: focal length over distance."""
    return scale.camera.focal_px / float(np.linalg.norm(scale.camera.position_mm))


def rim_blur_px(photo: Photo, outline_px: Array, px_per_mm: float) -> float | None:
    """Return the standard deviation of the blur across the most blurred stretch of a closed outline, in pixels.

    None where too little of the rim shows as an edge.
    """
    points, normals = _along(outline_px, SIDES * SAMPLES_A_SIDE)
    widths = _edge_widths(photo.pixels, points, normals, REACH_MM * px_per_mm).reshape(SIDES, SAMPLES_A_SIDE)
    seen = [row[np.isfinite(row)] for row in widths]
    sides = [float(np.median(row)) for row in seen if len(row) >= SAMPLES_A_SIDE / 2]
    return float(np.percentile(sides, BLURRED_SHARE)) / FWHM_TO_SD if sides else None


def photo_blur_part(photo: Photo) -> float:
    """Return the standard deviation of the blur at the photo's sharpest strong edges, as a part of its long side.

    0 where the photo has no strong edges.
    """
    shrink = SHRUNK_PX / max(photo.width_px, photo.height_px)
    grey = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY), np.uint8)
    if shrink < 1:
        grey = np.asarray(cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA), np.uint8)
    points, normals = _strong_edges(grey)
    reach = REACH_PART * max(grey.shape)
    widths = _edge_widths(grey, points, normals, reach)
    widths = widths[np.isfinite(widths)]
    return float(np.percentile(widths, SHARP_SHARE)) / FWHM_TO_SD / max(grey.shape) if len(widths) else 0.0


def _along(outline_px: Array, count: int) -> tuple[Array, Array]:
    """Points evenly along a closed outline, and its unit normals there: (count, 2) each."""
    closed = np.vstack([outline_px, outline_px[:1]])
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    where = (np.arange(count) + 0.5) / count * at[-1]
    points = np.column_stack([np.interp(where, at, closed[:, i]) for i in (0, 1)])
    ahead = np.column_stack([np.interp((where + 1) % at[-1], at, closed[:, i]) for i in (0, 1)])
    tangent = (ahead - points) / np.maximum(np.hypot(*(ahead - points).T), 1e-9)[:, None]
    return points, tangent[:, ::-1] * [1.0, -1.0]


def _strong_edges(grey: NDArray[np.uint8]) -> tuple[Array, Array]:
    """Places of the strongest gradients, and their directions."""
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.0)
    dx, dy = (cv2.Sobel(smooth, cv2.CV_64F, *order) for order in ((1, 0), (0, 1)))
    size = np.hypot(dx, dy)
    rows, columns = np.nonzero(size >= np.quantile(size, 1 - STRONGEST_PART))
    few = np.unique(np.linspace(0, len(rows) - 1, STRONGEST_MOST).astype(int))
    rows, columns = rows[few], columns[few]
    direction = np.column_stack([dx[rows, columns], dy[rows, columns]])
    return np.column_stack([columns, rows]).astype(float), direction / np.maximum(size[rows, columns], 1e-9)[:, None]


def _edge_widths(pixels: NDArray[np.uint8], points: Array, normals: Array, reach_px: float) -> Array:
    """Full width at half maximum of the gradient across each edge, in pixels; NaN where there is hardly an edge."""
    t = np.arange(-reach_px, reach_px + STEP_PX, STEP_PX)
    where = (points[:, None, :] + t[None, :, None] * normals[:, None, :]).astype(np.float32)
    sampled = cv2.remap(pixels, where[..., 0], where[..., 1], cv2.INTER_CUBIC)
    profiles = cv2.cvtColor(sampled, cv2.COLOR_BGR2GRAY) if pixels.ndim == 3 else sampled
    return np.array([_width(profile) for profile in np.diff(profiles.astype(float), axis=1)]) * STEP_PX


def _width(gradient: Array) -> float:
    """Full width at half maximum, in samples, around the steepest place."""
    size = np.abs(gradient)
    top = int(np.argmax(size))
    below = size < size[top] / 2
    left, right = np.flatnonzero(below[:top]), np.flatnonzero(below[top:])
    if not len(left) or not len(right):
        return np.nan
    first, last = int(left[-1]), top + int(right[0])
    if abs(float(gradient[first : last + 1].sum())) < LEAST_STEP:
        return np.nan
    half = size[top] / 2
    start = first + (half - size[first]) / (size[first + 1] - size[first])
    end = last - (half - size[last]) / (size[last - 1] - size[last])
    return float(end - start)
