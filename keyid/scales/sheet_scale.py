"""The scale from the measuring sheet: its markers' corners pose the camera and show the lens."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales import sheet
from keyid.scales.lens import Lens, focal_source, lenses_of
from keyid.scales.pose_fit import Body, Guess, Model, PoseFit, fit, scale_of, start_on_plane
from keyid.scales.scale import Scale

Array = NDArray[np.float64]

SEARCH_PX = 2400  # long side of the picture in which markers are looked for
MIN_MARKERS = 4
REFINE_SHARE = 0.35  # of a marker's cell: how far from its corner edges are used
REFINE_MOST_PX = 11
CORNER_U_PX = 0.25  # of a corner: blur, and neighbours err together
SPREAD_U_MM = 0.05  # by which ink spreads and light eats into all dark squares alike
PRINT_LOG_U = 0.0025  # printers keep a length to some tenths of a per cent (from memory)
BAR_U_MM = 0.15  # of the bar as a person reads a ruler
WAVY_MM = 0.15  # paper doesn't lie quite flat
FREE_RAD = 10.0


def find_sheet(photo: Photo, bar_mm: float | None = None) -> Scale:
    """Find the measuring sheet and solve the camera's pose.

    ``bar_mm`` is the length that the sheet's 100 mm bar was measured to have.  Raises PhotoError ``no-reference``.
    """
    number, corners = find_markers(photo.pixels)
    if len(number) < MIN_MARKERS:
        raise PhotoError(
            "no-reference",
            "No measuring sheet can be found in the photo.",
            "Lay the key on the printed sheet and take the photo with at least four of its markers in the picture.",
        )
    scaled = (bar_mm or sheet.BAR_MM) / sheet.BAR_MM
    known = sheet.corners_mm()[number] * [scaled, -scaled]
    body = Body(BAR_U_MM / sheet.BAR_MM if bar_mm else PRINT_LOG_U, 0.0, WAVY_MM)
    fits = [_posed(known, corners, body, lens) for lens in lenses_of(photo)]
    return scale_of(fits, "sheet", focal_source(photo, "estimated"), _outline_of(scaled))


def find_markers(pixels: NDArray[np.uint8]) -> tuple[NDArray[np.int_], Array]:
    """Numbers of the sheet's markers in a picture, shape (n,), and their corners in pixels, shape (n, 4, 2)."""
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), np.uint8)
    factor = min(1.0, SEARCH_PX / max(grey.shape))
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(sheet.DICTIONARY))
    found, numbers, _ = detector.detectMarkers(small)
    if numbers is None or len(found) == 0:
        return np.zeros(0, int), np.zeros((0, 4, 2))
    number = np.asarray(numbers, int).reshape(-1)
    corners = (np.stack([one.reshape(4, 2) for one in found]).astype(np.float64) + 0.5) / factor - 0.5
    kept = number < sheet.COUNT
    return number[kept], np.array([_refined(grey, one) for one in corners[kept]]).reshape(-1, 4, 2)


def _refined(grey: NDArray[np.uint8], corners: Array) -> Array:
    """A marker's corners to a fraction of a pixel."""
    side = float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).min())
    reach = int(np.clip(REFINE_SHARE * side / sheet.CELLS, 2, REFINE_MOST_PX))
    ends = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.001)
    near = corners.astype(np.float32).reshape(-1, 1, 2)
    return np.asarray(cv2.cornerSubPix(grey, near, (reach, reach), (-1, -1), ends), np.float64).reshape(4, 2)


def _posed(known_mm: Array, corners_px: Array, body: Body, lens: Lens) -> PoseFit:
    """The camera from the corners: first without distortion, then fitted with the lens."""
    plan = np.column_stack([known_mm.reshape(-1, 2), np.zeros(4 * len(known_mm))])
    middle = known_mm.mean(axis=1, keepdims=True)
    outward = np.column_stack([np.sign(known_mm - middle).reshape(-1, 2), np.zeros(4 * len(known_mm))])
    points = corners_px.reshape(-1, 2)
    start = start_on_plane(known_mm.reshape(-1, 2), points, lens)

    def residual(guess: Guess) -> Array:
        spread = plan + float(guess.extra[0]) * outward
        seen = guess.camera.project(spread * guess.size + [0.0, 0.0, guess.thickness_mm])
        return np.asarray(((seen - points) / CORNER_U_PX).ravel())

    return fit(Model(body, (FREE_RAD,) * 3, np.array([SPREAD_U_MM]), residual), start, lens)


def _outline_of(scaled: float) -> Callable[[PoseFit], Array]:
    """How a fit's outline, that of the plain field, is made."""
    half = np.array(sheet.FIELD_MM) / 2 * scaled
    field = np.column_stack([np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half, np.zeros(4)])
    return lambda found: found.camera.project(field)
