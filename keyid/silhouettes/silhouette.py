"""Where the key lies in the photo: a coarse silhouette, good to about a millimetre.

Seen from above, blobs that differ from the surface are proposed at several thresholds, refined by a graph cut, and read
as keys; the blob that is most like a key and most sharply bounded is the key.  Two such blobs apart are two keys.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales.camera import Camera
from keyid.scales.pointed import NOTHING_POINTED, Pointed
from keyid.scales.scale import Scale
from keyid.scales.table_view import TableView, photo_px_per_mm, view_table
from keyid.silhouettes.key_proposals import disk
from keyid.silhouettes.key_search import FINE_PX_PER_MM, Found, find_keys
from keyid.silhouettes.key_shape import contour_mm

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

MIN_PHOTO_PX_PER_MM = 4.0  # below it the next code is a pixel away on half of all blades
SURE_SCORE = 0.6  # of a second key: a likely key isn't refused for a doubtful one
DARK_LEVEL = 28.0  # of 255, 95th percentile of a photo that shows next to nothing
PLASTIC_HEAD_MM = 35.5  # metal heads are shorter along the blade's axis (common practice, no source)
CUT_OFF_MM = 1.0  # a key that ends that close to the picture's border goes on beyond it
POINTED_WIDTH_MM = 8.0  # of a blade of which only the ends were pointed at: what is measured then mends it
POINTED_NEAR_MM = 4.0  # a stop or tip that was pointed at lies that near to the outline of the key that was meant


@dataclass(frozen=True)
class Silhouette:
    """The key, found coarsely.

    Attributes
    ----------
    outline_px : ndarray, shape (n, 2)
        The whole key's outline (head and blade, cast shadow left out) in the upright photo, closed.
    blade_px : ndarray, shape (2, 2)
        Two points of the blade's mid-line in the upright photo: where the blade leaves the head, and the tip.
    width_mm : float
        The blade's width, to about a millimetre (on the table plane).
    head : str
        "plastic" when the head is much thicker than the blade (so that the blade is lifted and slopes), else "metal".
    """

    outline_px: Array
    blade_px: Array
    width_mm: float
    head: Literal["metal", "plastic"]


def find_silhouette(photo: Photo, scale: Scale, pointed: Pointed = NOTHING_POINTED) -> Silhouette:
    """Find the one key in the photo, or the one that was pointed at.

    Where stop and tip were pointed at, they do for a key that can't be found.

    Raises PhotoError ``no-key``, ``several-keys``, ``key-cut-off``, ``key-unclear``, ``too-blurred``, ``too-dark``,
    ``too-coarse``.
    """
    _check_photo(photo, scale)
    try:
        return _found(photo, scale, pointed)
    except PhotoError:
        if pointed.stop_px is None or pointed.tip_px is None:
            raise
    return _between(np.array([pointed.stop_px, pointed.tip_px]), scale.camera)


def lies_on(silhouette: Silhouette, scale: Scale, pointed: Pointed) -> bool:
    """Whether all that was pointed at of a key lies on this one."""
    near_px = POINTED_NEAR_MM * photo_px_per_mm(scale.camera)
    contour = silhouette.outline_px.astype(np.float32).reshape(-1, 1, 2)
    return all(cv2.pointPolygonTest(contour, point, True) > -near_px for point in pointed.on_key_px)


def _found(photo: Photo, scale: Scale, pointed: Pointed) -> Silhouette:
    """The key as it shows."""
    fine = view_table(photo, scale, FINE_PX_PER_MM)
    at_mm = scale.camera.on_height(np.array(pointed.on_key_px, float).reshape(-1, 2), 0.0)
    found = find_keys(fine, at_mm, POINTED_NEAR_MM)
    if not found or not (found[0].is_key or len(at_mm)):
        raise _no_key(len(at_mm) > 0)
    best = found[0]
    others = [each for each in found[1:] if each.score > SURE_SCORE and _apart(each, best)]
    if others and len(at_mm) == 0:
        raise PhotoError(
            "several-keys", "There is more than one key in this photo.", "Take the other keys away and photograph one."
        )
    if _cut_off(best.near, best.view):
        raise PhotoError("key-cut-off", "The key runs out of the picture.", "Take the photo with the whole key in it.")
    return _silhouette(best, scale.camera)


def _no_key(was_pointed_at: bool) -> PhotoError:
    """What to tell where nothing reads as a key."""
    if was_pointed_at:
        message = "Nothing that was pointed at reads as a key."
        return PhotoError("no-key", message, "Point at both its stop and its tip.")
    advice = "Lay one key flat on a plain surface beside the card."
    return PhotoError("no-key", "No key was found in this photo.", advice)


def _between(ends_px: Array, camera: Camera) -> Silhouette:
    """A key of which only stop and tip are known."""
    stop, tip = camera.on_height(ends_px, 0.0)
    along = (tip - stop) / np.linalg.norm(tip - stop)
    across = np.array([-along[1], along[0]]) * POINTED_WIDTH_MM / 2
    corners = np.array([stop - across, tip - across, tip + across, stop + across])
    outline = camera.project(np.column_stack([corners, np.zeros(4)]))
    return Silhouette(outline, ends_px, POINTED_WIDTH_MM, "metal")


def _check_photo(photo: Photo, scale: Scale) -> None:
    """Refuse a photo too coarse or too dark to measure a key in."""
    density = photo_px_per_mm(scale.camera)
    if density < MIN_PHOTO_PX_PER_MM:
        raise PhotoError(
            "too-coarse",
            f"Only {density:.1f} pixels show a mm of this key; {MIN_PHOTO_PX_PER_MM:g} are needed.",
            "Ask for the original, sent as a file, not as a picture and no screenshot; or go closer.",
        )
    if np.percentile(photo.pixels[::8, ::8].max(axis=-1), 95) < DARK_LEVEL:
        raise PhotoError("too-dark", "This photo is too dark to see the key in.", "Take it again in better light.")


def _apart(one: Found, other: Found) -> bool:
    """Whether two keys lie on different ground."""
    outlines = [
        each.view.to_mm(contour_mm(each.near, each.view.px_per_mm) * each.view.px_per_mm) for each in (one, other)
    ]
    low, high = zip(*[(outline.min(axis=0), outline.max(axis=0)) for outline in outlines], strict=True)
    return bool(np.any(np.maximum(*low) > np.minimum(*high)))


def _cut_off(blob: Mask, view: TableView) -> bool:
    """Whether the blob touches the border of what the photo shows."""
    hidden = np.pad(~view.seen, 1, constant_values=True).astype(np.uint8)
    return bool(cv2.dilate(hidden, disk(2 * CUT_OFF_MM * view.px_per_mm))[1:-1, 1:-1][blob].any())


def _silhouette(found: Found, camera: Camera) -> Silhouette:
    """The key's outline and blade in the photo."""

    def to_photo(points_mm: Array) -> Array:
        ground = found.view.to_mm(points_mm * found.view.px_per_mm)
        return camera.project(np.column_stack([ground, np.zeros(len(ground))]))

    shape = found.shape
    head: Literal["metal", "plastic"] = "plastic" if shape.head_mm[0] > PLASTIC_HEAD_MM else "metal"
    outline = contour_mm(found.near, found.view.px_per_mm)
    return Silhouette(to_photo(outline), to_photo(np.stack([shape.neck_mm, shape.tip_mm])), shape.width_mm, head)
