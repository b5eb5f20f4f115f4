"""What reads as a key on the table: blobs proposed, cut out anew coarsely, and the best of them finely.

Nearly all the work is done on a coarse view; the fine one only places the edges of the few best and tells how sharp
they are.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.network import Image
from keyid.scales.table_view import TableView
from keyid.silhouettes.blade_axis import axis_evidence
from keyid.silhouettes.key_cut import Part, refine_parts, sharpness, support
from keyid.silhouettes.key_hues import tell_by_hue
from keyid.silhouettes.key_likeness import key_likeness
from keyid.silhouettes.key_pairs import imagine_heads, join
from keyid.silhouettes.key_proposals import propose, propose_likely
from keyid.silhouettes.key_shape import KeyShape, bounds, pixel_places_mm, read_shape, trim

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SEARCH_PX_PER_MM = 2.0  # finds a blade of 5 mm and costs a tenth of a second
FINE_PX_PER_MM = 4.0  # places edges to a quarter of a millimetre
SURROUNDINGS_MM = 24.0  # round a seed: it may grow by a graph cut's reach twice, and needs some surface beyond
SAME_BLOB = 0.88  # intersection over union of blobs that are one proposal
MAX_REFINED = 12  # the best proposals; the right one is among the first few
MAX_A_PLACE = 3  # of proposals for the same key: cut out anew, they become nearly the same
PART_ROUNDS = 2
CORE_SHARE = 0.2  # of the blade's width, to each side of its mid-line, is metal even where it is cut
CORE_TIP_MM = 3.0  # the tip may be pointed
HEAD_CORE, HEAD_CORE_MM = 0.2, 4.0  # so deep in the head's outline, as share of its size and at most
RAW_SHARE = 0.85  # what a proposal counts against a refined one: there may be shadow in it
MIN_SEED = 0.02  # proposals less like a key aren't worth refining while there are others
SUPPORT = (0.65, 1.0)  # share of the outline that is a clear step: with no key, and with a perfect one
MIN_SCORE = 0.3  # likeness times support of a key
LEAST_SUPPORT = 0.02  # of a key whose head is as dark as the table: there is no step round it, but the network tells it
MARKED, MARKED_LIKENESS = 0.75, 0.1  # where the network marks the same, what is only somewhat like a key is one too
LIKELY_SCORE = 0.5  # of what the network marked: other proposals aren't needed then


@dataclass(frozen=True)
class Blob:
    """A part of a view.

    Attributes
    ----------
    mask : ndarray of bool
        Of the whole view.
    box : tuple of slice
        Rows and columns that it takes.
    area : int
        Its pixels.
    """

    mask: Mask
    box: tuple[slice, slice]
    area: int


@dataclass(frozen=True)
class Found(Blob):
    """A blob that reads as a key.

    Attributes
    ----------
    window : tuple of slice
        Rows and columns of the view round it.
    view : TableView
        That part of the view.
    near : ndarray of bool
        The blob in that window.
    shape : KeyShape
        In that window.
    score : float
        How surely it is a key.
    trust : float
        In its outline: that of a proposal may be a shadow's.
    rank : float
        To compare those by that are the same key.
    marked : float
        Intersection over union with what the network marks as a key nearby.
    """

    window: tuple[slice, slice]
    view: TableView
    near: Mask
    shape: KeyShape
    score: float
    trust: float
    rank: float
    marked: float = 0.0

    @property
    def is_key(self) -> bool:
        """Whether it may be taken for a key."""
        return self.score > MIN_SCORE or (self.marked > MARKED and self.shape.likeness > MARKED_LIKENESS)


AnyBlob = TypeVar("AnyBlob", bound=Blob)


def find_keys(fine: TableView, at_mm: Array, near_mm: float) -> list[Found]:
    """What reads as a key in a view of FINE_PX_PER_MM, the best first.

    Only what has something within ``near_mm`` of each of the points ``at_mm`` (n, 2) on the table is looked at.
    """
    view = _shrink(fine, FINE_PX_PER_MM / SEARCH_PX_PER_MM)
    at, near = view.from_mm(at_mm), near_mm * view.px_per_mm
    odds = key_likeness(view)
    likely = [_blob(mask) for mask in propose_likely(odds, view.px_per_mm)]
    found = _refined(view, fine, _ranked(view, (blob.mask for blob in likely if _reaches(blob.mask, at, near))))
    if _best_score(found) > LIKELY_SCORE and _all_of_one(likely):
        return _best_first(_compared(found, odds))
    blobs = [blob.mask for blob in _different(itertools.chain(likely, map(_blob, propose(view, fine))))]
    whole = (mask for mask in itertools.chain(blobs, join(blobs, view.px_per_mm)) if _reaches(mask, at, near))
    found = _refined(view, fine, _ranked(view, whole))
    if _best_score(found) < MIN_SCORE:
        heads = (mask for mask in imagine_heads(blobs, view.px_per_mm) if _reaches(mask, at, near))
        found += _refined(view, fine, _ranked(view, heads), guessed=True)
    compared = _compared(found, odds)
    if not any(each.is_key for each in compared):
        told = tell_by_hue(odds, view)
        hued = (mask for mask in propose_likely(told, view.px_per_mm) if _reaches(mask, at, near))
        compared += _compared(_refined(view, fine, _ranked(view, hued)), told)
    return _best_first(compared)


def _all_of_one(blobs: Sequence[Blob]) -> bool:
    """Whether all blobs share some ground with the first, so that they may be one key."""
    return all(_overlap(blob, blobs[0]) for blob in blobs[1:])


def _compared(found: Sequence[Found], odds: Image) -> list[Found]:
    """The findings, each with how far the network agrees."""
    compared = []
    for each in found:
        marked = cv2.resize(odds, each.mask.shape[::-1], interpolation=cv2.INTER_LINEAR)[each.window] > 0
        union = int(np.count_nonzero(marked | each.near))
        compared.append(replace(each, marked=float(np.count_nonzero(marked & each.near) / union)))
    return compared


def _best_first(found: Sequence[Found]) -> list[Found]:
    """Keys first and the best of them foremost."""
    return sorted(found, key=lambda each: (not each.is_key, -each.rank))


def _best_score(found: Sequence[Found]) -> float:
    return max((each.score for each in found), default=0.0)


def _reaches(mask: Mask, at_px: Array, near_px: float) -> bool:
    """Whether a mask comes that near to each of the points (n, 2)."""
    for x, y in at_px:
        rows = slice(max(0, int(y - near_px)), max(0, int(y + near_px) + 2))
        columns = slice(max(0, int(x - near_px)), max(0, int(x + near_px) + 2))
        if not mask[rows, columns].any():
            return False
    return True


def _shrink(view: TableView, factor: float) -> TableView:
    """The view at a lower resolution."""
    size = (round(view.seen.shape[1] / factor), round(view.seen.shape[0] / factor))
    pixels = np.asarray(cv2.resize(view.pixels, size, interpolation=cv2.INTER_AREA), np.uint8)
    seen, on = (_resize(mask, size) for mask in (view.seen, view.on_reference))
    return TableView(pixels, seen, on, view.px_per_mm / factor, view.corner_mm)


def _resize(mask: Mask, size: tuple[int, int]) -> Mask:
    """The mask at another (columns, rows)."""
    return np.asarray(cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST), bool)


def _blob(mask: Mask) -> Blob:
    box = bounds(mask)
    return Blob(mask, box, int(np.count_nonzero(mask[box])))


def _few_a_place(found: Sequence[Found], most: int) -> list[Found]:
    """The first so many of those whose boxes overlap."""
    kept: list[Found] = []
    for each in found:
        if sum(_overlap(each, other) for other in kept) < most:
            kept.append(each)
    return kept


def _overlap(one: Blob, other: Blob) -> bool:
    """Whether two blobs' boxes share some ground."""
    return all(max(a.start, b.start) < min(a.stop, b.stop) for a, b in zip(one.box, other.box, strict=True))


def _different(blobs: Iterable[AnyBlob], most: int | None = None) -> list[AnyBlob]:
    """The first of those that take nearly the same place, and no more than so many."""
    kept: list[AnyBlob] = []
    for each in blobs:
        if not any(_same(each, other) for other in kept):
            kept.append(each)
        if len(kept) == most:
            break
    return kept


def _same(one: Blob, other: Blob) -> bool:
    """Whether two blobs take nearly the same place."""
    if min(one.area, other.area) < SAME_BLOB * max(one.area, other.area):
        return False
    both = tuple(
        slice(max(a.start, b.start), max(a.start, b.start, min(a.stop, b.stop)))
        for a, b in zip(one.box, other.box, strict=True)
    )
    shared = int(np.count_nonzero(one.mask[both] & other.mask[both]))
    return shared > SAME_BLOB * (one.area + other.area - shared)


def _ranked(view: TableView, masks: Iterable[Mask]) -> list[Blob]:
    """The blobs most like a sharply bounded key, the best first, near copies left out."""
    scored = []
    for mask in masks:
        near, part = view.crop(mask, SURROUNDINGS_MM)
        shape = read_shape(mask[part], view.px_per_mm)
        if shape is not None and shape.likeness > MIN_SEED:
            scored.append((_score(near, mask[part], shape) + shape.likeness, mask))
    return _different((_blob(mask) for _, mask in sorted(scored, key=lambda each: -each[0])), MAX_REFINED)


def _score(view: TableView, blob: Mask, shape: KeyShape) -> float:
    """How surely a blob is a key: shape and sharp bounds, both needed."""
    if shape.likeness < MIN_SCORE * MIN_SEED:
        return 0.0
    low, high = SUPPORT
    return shape.likeness * float(np.clip((support(view, blob) - low) / (high - low), LEAST_SUPPORT, 1.0))


def _refined(view: TableView, fine: TableView, seeds: Sequence[Blob], guessed: bool = False) -> list[Found]:
    """Seeds cut out anew, all of them coarsely and the best finely; a guess itself is no finding."""
    last = [found for seed in seeds if (found := _read(view, seed.mask, RAW_SHARE)) is not None]
    coarse = [] if guessed else list(last)
    last = _few_a_place(_by_rank(last), MAX_A_PLACE)
    for _ in range(PART_ROUNDS):
        cut = [again for found in last if (again := _cut_anew(view, found)) is not None]
        last = _different(_by_rank(cut))
        coarse += last
    best = _few_a_place(_by_rank(coarse), 1)
    best = best[:1] + [found for found in best[1:] if found.score > MIN_SCORE][:1]  # perhaps a second key
    size = (fine.seen.shape[1], fine.seen.shape[0])
    seen = [found for each in best if (found := _read(fine, _resize(each.mask, size), each.trust)) is not None]
    return seen + [again for found in seen if (again := _cut_anew(fine, found)) is not None]


def _by_rank(found: list[Found]) -> list[Found]:
    return sorted(found, key=lambda each: -each.rank)


def _cut_anew(whole: TableView, found: Found) -> Found | None:
    """The key cut out anew, head and blade apart."""
    if found.shape.likeness < MIN_SEED:
        return None
    near = refine_parts(found.view, found.near, _parts(found.view, found.near, found.shape))
    mask = np.zeros(found.mask.shape, bool)
    mask[found.window] = near
    return _read(whole, mask) if near.any() else None


def _read(whole: TableView, mask: Mask, trust: float = 1.0) -> Found | None:
    """Read a blob as a key, with the blade's direction from the picture."""
    view, part = whole.crop(mask, SURROUNDINGS_MM)
    shape = read_shape(mask[part], view.px_per_mm, partial(axis_evidence, view, mask[part]))
    if shape is None:
        return None
    near = trim(mask[part], shape, view.px_per_mm)
    score = _score(view, near, shape)
    rank = trust * score * sharpness(view, near) ** 2 if score > 0 else 0.0
    trimmed = np.zeros(mask.shape, bool)
    trimmed[part] = near
    return Found(trimmed, bounds(trimmed), int(np.count_nonzero(near)), part, view, near, shape, score, trust, rank)


def _parts(view: TableView, blob: Mask, shape: KeyShape) -> list[Part]:
    """Head and blade: the cores keep off their edges, where a shadow may have been taken for key."""
    s, v = shape.coordinates(pixel_places_mm(blob.shape, view.px_per_mm))
    ahead = s > 0
    blade = (np.abs(v) < CORE_SHARE * shape.width_mm) & ahead & (s < shape.length_mm - CORE_TIP_MM)
    deep = min(HEAD_CORE * min(shape.head_mm), HEAD_CORE_MM)
    inside = cv2.distanceTransform(blob.astype(np.uint8), cv2.DIST_L2, 5) > deep * view.px_per_mm
    return [Part(inside & ~ahead, ~ahead), Part(blade & blob, ahead)]
