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

from keyid.camera import Camera
from keyid.errors import PhotoError
from keyid.key_cut import refine, support
from keyid.key_proposals import propose
from keyid.key_shape import KeyShape, contour_mm, read_shape
from keyid.photo import Photo
from keyid.scale import Scale
from keyid.table_view import TableView, photo_px_per_mm, view_table

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SEARCH_PX_PER_MM = 2.0  # finds a blade of 5 mm and costs a tenth of a second
FINE_PX_PER_MM = 4.0  # places edges to a quarter of a millimetre
MIN_PHOTO_PX_PER_MM = 5.0  # below it a cut step of 0.3 mm is a pixel
SAME_BLOB = 0.75  # intersection over union of blobs that are one proposal
MAX_REFINED = 8  # the best proposals; the right one is among the first few
MIN_SEED = 0.02  # proposals less like a key aren't worth refining while there are others
MIN_SCORE = 0.3  # likeness times squared support of a key
SURE_SCORE = 0.6  # of a second key: a likely key isn't refused for a doubtful one
DARK_LEVEL = 28.0  # of 255, 95th percentile of a photo that shows next to nothing
PLASTIC_HEAD_MM = 35.5  # metal heads are shorter along the blade's axis (common practice, no source)
CUT_OFF_MM = 1.0  # a key that ends that close to the picture's border goes on beyond it


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


@dataclass(frozen=True)
class _Found:
    """A blob of the fine view that reads as a key."""

    blob: Mask
    shape: KeyShape
    origin_px: Array
    score: float


def find_silhouette(photo: Photo, scale: Scale) -> Silhouette:
    """Find the one key in the photo.

    Raises PhotoError ``no-key``, ``several-keys``, ``key-cut-off``, ``key-unclear``, ``too-blurred``, ``too-dark``,
    ``too-coarse``.
    """
    _check_photo(photo, scale)
    fine = view_table(photo, scale, FINE_PX_PER_MM)
    seeds = _ranked_seeds(shrink_view(fine, FINE_PX_PER_MM / SEARCH_PX_PER_MM))
    found = sorted(_refined(fine, seeds), key=lambda each: -each.score)
    if not found or found[0].score < MIN_SCORE:
        raise PhotoError(
            "no-key", "No key was found in this photo.", "Lay one key flat on a plain surface beside the card."
        )
    best = found[0]
    others = [each for each in found[1:] if each.score > SURE_SCORE and not (each.blob & best.blob).any()]
    if others:
        raise PhotoError(
            "several-keys", "There is more than one key in this photo.", "Take the other keys away and photograph one."
        )
    if _cut_off(best.blob, fine):
        raise PhotoError("key-cut-off", "The key runs out of the picture.", "Take the photo with the whole key in it.")
    return _silhouette(best, fine, scale.camera)


def _check_photo(photo: Photo, scale: Scale) -> None:
    """Refuse a photo too coarse or too dark to measure a key in."""
    if photo_px_per_mm(scale.camera) < MIN_PHOTO_PX_PER_MM:
        raise PhotoError("too-coarse", "The key is too small in this photo.", "Go closer, or send the original photo.")
    if np.percentile(photo.pixels[::8, ::8].max(axis=-1), 95) < DARK_LEVEL:
        raise PhotoError("too-dark", "This photo is too dark to see the key in.", "Take it again in better light.")


def shrink_view(view: TableView, factor: float) -> TableView:
    """The view at a lower resolution."""
    size = (round(view.seen.shape[1] / factor), round(view.seen.shape[0] / factor))
    pixels = np.asarray(cv2.resize(view.pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    seen, on = (resize_mask(mask, size) for mask in (view.seen, view.on_reference))
    return TableView(pixels, seen, on, view.px_per_mm / factor, view.corner_mm)


def resize_mask(mask: Mask, size: tuple[int, int]) -> Mask:
    """The mask at another (columns, rows)."""
    return np.asarray(cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST), bool)


def _ranked_seeds(view: TableView) -> list[Mask]:
    """Proposals most like a sharply bounded key first, near copies left out."""
    scored = []
    for blob in propose(view):
        found = _read(blob, view)
        scored.append((found.score if found else 0.0, blob))
    kept: list[Mask] = []
    for _, blob in sorted(scored, key=lambda each: -each[0]):
        if all(_overlap(blob, other) < SAME_BLOB for other in kept):
            kept.append(blob)
        if len(kept) == MAX_REFINED:
            break
    return kept


def _overlap(one: Mask, other: Mask) -> float:
    """Intersection over union."""
    return np.count_nonzero(one & other) / max(int(np.count_nonzero(one | other)), 1)


def _read(blob: Mask, view: TableView) -> _Found | None:
    """Read a blob as a key."""
    rows, columns = np.nonzero(blob.any(axis=1))[0], np.nonzero(blob.any(axis=0))[0]
    if len(rows) == 0:
        return None
    cut = blob[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    shape = read_shape(cut, view.px_per_mm)
    if shape is None:
        return None
    return _Found(blob, shape, np.array([columns[0], rows[0]], float), shape.likeness * support(view, blob) ** 2)


def _refined(view: TableView, seeds: list[Mask]) -> list[_Found]:
    """The seeds refined on the fine view, and read as keys."""
    found = []
    for seed in seeds:
        blob = refine(view, resize_mask(seed, view.seen.shape[::-1]))
        read = _read(blob, view)
        if read is not None:
            found.append(read)
    return found


def _cut_off(blob: Mask, view: TableView) -> bool:
    """Whether the blob touches the border of what the photo shows."""
    inside = cv2.distanceTransform(np.pad(view.seen, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    return bool(inside[blob].min() < CUT_OFF_MM * view.px_per_mm)


def _silhouette(found: _Found, view: TableView, camera: Camera) -> Silhouette:
    """The key's outline and blade in the photo."""

    def to_photo(points_mm: Array) -> Array:
        ground = view.to_mm(points_mm * view.px_per_mm + found.origin_px)
        return camera.project(np.column_stack([ground, np.zeros(len(ground))]))

    shape = found.shape
    outline = contour_mm(found.blob, view.px_per_mm) - found.origin_px / view.px_per_mm
    head: Literal["metal", "plastic"] = "plastic" if shape.head_mm[0] > PLASTIC_HEAD_MM else "metal"
    return Silhouette(to_photo(outline), to_photo(np.stack([shape.neck_mm, shape.tip_mm])), shape.width_mm, head)
