"""Where the key lies in the photo: a coarse silhouette, good to about a millimetre.

Seen from above, blobs that differ from the surface are proposed at several thresholds, refined by a graph cut, and read
as keys; the blob that is most like a key and most sharply bounded is the key.  Two such blobs apart are two keys.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.blade_axis import axis_evidence
from keyid.camera import Camera
from keyid.errors import PhotoError
from keyid.key_cut import Part, refine_parts, sharpness, support
from keyid.key_pairs import imagine_heads, join
from keyid.key_proposals import disk, propose
from keyid.key_shape import KeyShape, contour_mm, pixel_places_mm, read_shape, trim
from keyid.photo import Photo
from keyid.scale import Scale
from keyid.table_view import TableView, photo_px_per_mm, view_table

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SEARCH_PX_PER_MM = 2.0  # finds a blade of 5 mm and costs a tenth of a second
FINE_PX_PER_MM = 4.0  # places edges to a quarter of a millimetre
MIN_PHOTO_PX_PER_MM = 5.0  # below it a cut step of 0.3 mm is a pixel
SURROUNDINGS_MM = 24.0  # round a seed: it may grow by a graph cut's reach twice, and needs some surface beyond
SAME_BLOB = 0.88  # intersection over union of blobs that are one proposal
MAX_REFINED = 12  # the best proposals; the right one is among the first few
PART_ROUNDS = 2
CORE_SHARE = 0.2  # of the blade's width, to each side of its mid-line, is metal even where it is cut
CORE_TIP_MM = 3.0  # the tip may be pointed
HEAD_CORE, HEAD_CORE_MM = 0.2, 4.0  # so deep in the head's outline, as share of its size and at most
RAW_SHARE = 0.85  # what a proposal counts against a refined one: there may be shadow in it
MIN_SEED = 0.02  # proposals less like a key aren't worth refining while there are others
SUPPORT = (0.65, 1.0)  # share of the outline that is a clear step: with no key, and with a perfect one
MIN_SCORE = 0.3  # likeness times support of a key
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
    """A blob that reads as a key, in its own window of the table."""

    view: TableView
    blob: Mask
    shape: KeyShape
    score: float
    rank: float


def find_silhouette(photo: Photo, scale: Scale) -> Silhouette:
    """Find the one key in the photo.

    Raises PhotoError ``no-key``, ``several-keys``, ``key-cut-off``, ``key-unclear``, ``too-blurred``, ``too-dark``,
    ``too-coarse``.
    """
    _check_photo(photo, scale)
    fine = view_table(photo, scale, FINE_PX_PER_MM)
    found = _find_keys(fine)
    if not found or found[0].score < MIN_SCORE:
        raise PhotoError(
            "no-key", "No key was found in this photo.", "Lay one key flat on a plain surface beside the card."
        )
    best = found[0]
    others = [each for each in found[1:] if each.score > SURE_SCORE and _apart(each, best)]
    if others:
        raise PhotoError(
            "several-keys", "There is more than one key in this photo.", "Take the other keys away and photograph one."
        )
    if _cut_off(best.blob, best.view):
        raise PhotoError("key-cut-off", "The key runs out of the picture.", "Take the photo with the whole key in it.")
    return _silhouette(best, scale.camera)


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


def _find_keys(fine: TableView) -> list[_Found]:
    """What reads as a key, the best first."""
    view = shrink_view(fine, FINE_PX_PER_MM / SEARCH_PX_PER_MM)
    blobs = _different(list(propose(view, fine)))
    seeds = _ranked_seeds(view, itertools.chain(blobs, join(blobs, view.px_per_mm)))
    found = [each for seed in seeds for each in _stages(fine, seed)]
    if max((each.score for each in found), default=0.0) < MIN_SCORE:
        guesses = _ranked_seeds(view, imagine_heads(blobs, view.px_per_mm))
        found += [each for seed in guesses for each in _stages(fine, seed)[1:]]  # the guess itself is no finding
    return sorted(found, key=lambda each: -each.rank)


def _ranked_seeds(view: TableView, blobs: Iterable[Mask]) -> list[Mask]:
    """The blobs most like a sharply bounded key, the best first, near copies left out."""
    scored = []
    for blob in blobs:
        near, part = view.crop(blob, SURROUNDINGS_MM)
        shape = read_shape(blob[part], view.px_per_mm)
        if shape is not None and shape.likeness > MIN_SEED:
            scored.append((_score(near, blob[part], shape) + shape.likeness, blob))
    kept: list[Mask] = []
    for _, blob in sorted(scored, key=lambda each: -each[0]):
        if not any(_same(blob, other) for other in kept):
            kept.append(blob)
        if len(kept) == MAX_REFINED:
            break
    return kept


def _different(blobs: list[Mask]) -> list[Mask]:
    """The blobs without near copies."""
    kept: list[Mask] = []
    for blob in blobs:
        if not any(_same(blob, other) for other in kept):
            kept.append(blob)
    return kept


def _same(one: Mask, other: Mask) -> bool:
    """Whether two blobs are one proposal."""
    areas = int(np.count_nonzero(one)), int(np.count_nonzero(other))
    if min(areas) < SAME_BLOB * max(areas):
        return False
    shared = int(np.count_nonzero(one & other))
    return shared > SAME_BLOB * (sum(areas) - shared)


def _score(view: TableView, blob: Mask, shape: KeyShape) -> float:
    """How surely a blob is a key: shape and sharp bounds, both needed."""
    if shape.likeness < MIN_SCORE * MIN_SEED:
        return 0.0
    low, high = SUPPORT
    return shape.likeness * float(np.clip((support(view, blob) - low) / (high - low), 0.0, 1.0))


def _stages(fine: TableView, seed: Mask) -> list[_Found]:
    """A seed, and the seed cut out anew on the fine view with head and blade apart, twice."""
    enlarged = resize_mask(seed, fine.seen.shape[::-1])
    view, part = fine.crop(enlarged, SURROUNDINGS_MM)
    stages = [_read(view, enlarged[part], RAW_SHARE)]
    for _ in range(PART_ROUNDS):
        last = stages[-1]
        if last is None or last.shape.likeness < MIN_SEED:
            break
        parts = _parts(view, last.blob, last.shape)
        stages.append(_read(view, refine_parts(view, last.blob, parts)))
    return [each for each in stages if each is not None]


def _read(view: TableView, blob: Mask, trust: float = 1.0) -> _Found | None:
    """Read a blob as a key, with the blade's direction from the picture."""
    shape = read_shape(blob, view.px_per_mm)
    if shape is not None and shape.likeness > MIN_SEED:
        shape = read_shape(blob, view.px_per_mm, axis_evidence(view, blob, shape))
    if shape is None:
        return None
    trimmed = trim(blob, shape, view.px_per_mm)
    score = _score(view, trimmed, shape)
    rank = trust * score * sharpness(view, trimmed) ** 2 if score > 0 else 0.0
    return _Found(view, trimmed, shape, score, rank)


def _parts(view: TableView, blob: Mask, shape: KeyShape) -> list[Part]:
    """Head and blade: the cores keep off their edges, where a shadow may have been taken for key."""
    s, v = shape.coordinates(pixel_places_mm(blob.shape, view.px_per_mm))
    ahead = s > 0
    blade = (np.abs(v) < CORE_SHARE * shape.width_mm) & ahead & (s < shape.length_mm - CORE_TIP_MM)
    deep = min(HEAD_CORE * min(shape.head_mm), HEAD_CORE_MM)
    inside = cv2.distanceTransform(blob.astype(np.uint8), cv2.DIST_L2, 5) > deep * view.px_per_mm
    return [Part(inside & ~ahead, ~ahead), Part(blade & blob, ahead)]


def _apart(one: _Found, other: _Found) -> bool:
    """Whether two keys lie on different ground."""
    outlines = [
        each.view.to_mm(contour_mm(each.blob, each.view.px_per_mm) * each.view.px_per_mm) for each in (one, other)
    ]
    low, high = zip(*[(outline.min(axis=0), outline.max(axis=0)) for outline in outlines], strict=True)
    return bool(np.any(np.maximum(*low) > np.minimum(*high)))


def _cut_off(blob: Mask, view: TableView) -> bool:
    """Whether the blob touches the border of what the photo shows."""
    hidden = np.pad(~view.seen, 1, constant_values=True).astype(np.uint8)
    return bool(cv2.dilate(hidden, disk(2 * CUT_OFF_MM * view.px_per_mm))[1:-1, 1:-1][blob].any())


def _silhouette(found: _Found, camera: Camera) -> Silhouette:
    """The key's outline and blade in the photo."""

    def to_photo(points_mm: Array) -> Array:
        ground = found.view.to_mm(points_mm * found.view.px_per_mm)
        return camera.project(np.column_stack([ground, np.zeros(len(ground))]))

    shape = found.shape
    head: Literal["metal", "plastic"] = "plastic" if shape.head_mm[0] > PLASTIC_HEAD_MM else "metal"
    outline = contour_mm(found.blob, found.view.px_per_mm)
    return Silhouette(to_photo(outline), to_photo(np.stack([shape.neck_mm, shape.tip_mm])), shape.width_mm, head)
