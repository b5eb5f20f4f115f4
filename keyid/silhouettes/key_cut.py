"""The key's pixels near a seed: colours learnt from the seed and its surroundings, joined by a graph cut.

The surroundings' colours count also in shade, so that the shadow which the key casts isn't taken for key; table and
reference each have their own colours.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales.table_view import TableView
from keyid.silhouettes.key_proposals import blur, disk, fill_holes
from keyid.silhouettes.key_shape import bounds, contour_mm

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

REACH_MM = 9.0  # the key reaches no further beyond a seed
GAP_MM = 2.5  # what lies that near a seed's edge may be either
FEW_SAMPLES = 100  # too few to learn colours from
BINS = (24, 32, 32)  # of brightness, and of two differences of colour shares, which a shadow hardly changes
SHARE_BIN = 0.0075  # of a colour's share: nickel differs from a white table's shadow by a few of them
DARK = 8.0  # added to each colour, so that shares mean nothing in the dark
BIN_BLUR = 1.0  # bins: fills a histogram's gaps between neighbouring colours
SHADES = (
    0.92,
    0.85,
    0.77,
    0.69,
    0.61,
    0.53,
    0.45,
    0.38,
    0.31,
    0.25,
)  # of the surface's coded values, in shadow of the key
SKIP = 4  # every fourth pixel of the surroundings is shaded: enough for a histogram
SHADE_WEIGHT = 0.5  # of all shades together against the lit surface
FLOOR = 2e-5  # probability of a colour never seen: a few pixels in a blade's area
UNSEEN_KEY = 3.0  # a colour never seen is that much likelier the key, of which less is known than of what lies around
LIMIT = 5.0  # log of the ratio of probabilities; no single pixel is surer
SMOOTHNESS = 5.0  # nats that an edge-free boundary costs per pixel
CODE_MID = 32.0  # the log ratio of 0 in the coded channel
SHARP_MM = 0.6  # softer edges are penumbras, and no place to cut
SHARP_GAIN = 3.0
OPENCV_SMOOTHNESS = 50.0  # gamma, fixed in OpenCV's grabcut.cpp

STEP_MM = 0.75  # to each side of the outline: beyond its blur and its wobble
SOFT_MM, SHARP_STEP_MM = 0.9, 0.3  # half widths between which a sharp step grows little
SHIFTS_MM = (-0.3, -0.15, 0.0, 0.15, 0.3)  # the outline may be off by that
TANGENT_POINTS = 3  # neighbours on the outline that give its direction
FOREIGN_MM = 1.5  # an outline that near to the reference's is the reference's
SURE_STEP = 6.0  # of 255, on a surface without texture
TEXTURE_STEPS = 1.5  # times the texture's own
TEXTURE_SAMPLES = 2000  # pairs of places, enough for a median


@dataclass(frozen=True)
class Part:
    """A part of the key with colours of its own.

    Attributes
    ----------
    core : ndarray of bool
        Pixels that are surely this part.
    reach : ndarray of bool
        Pixels that this part, and no other, may cover.
    """

    core: Mask
    reach: Mask


def refine_parts(view: TableView, blob: Mask, parts: list[Part]) -> Mask:
    """The key's pixels near a blob whose parts are known, filled; empty when nothing is left of it."""
    return _cut(view, _log_ratio(view, blob, parts), blob)


def support(view: TableView, blob: Mask) -> float:
    """Share of the outline across which the picture steps, much more than its texture does, off the reference's rim.

    A step has different colours on both sides: a drawn line has not.
    """
    outline, normal = _outline(view, blob)
    lab = blur(np.asarray(cv2.cvtColor(view.pixels, cv2.COLOR_BGR2LAB), np.float32), 0.25 * view.px_per_mm)
    step = _step(lab, outline, STEP_MM * view.px_per_mm * normal)
    foreign = np.abs(_away(view.on_reference, view.px_per_mm)) < FOREIGN_MM
    step[_sample(foreign.astype(np.float32), outline) > 0] = 0
    return float(np.mean(step > TEXTURE_STEPS * _texture_step(view, lab, blob) + SURE_STEP))


def sharpness(view: TableView, blob: Mask) -> float:
    """How sharp the steps across the outline are, 0 to 1: a penumbra's rise over more than a millimetre."""
    outline, normal = _outline(view, blob)
    lab = blur(np.asarray(cv2.cvtColor(view.pixels, cv2.COLOR_BGR2LAB), np.float32), 0.12 * view.px_per_mm)
    normal = normal * view.px_per_mm
    wide = _step(lab, outline, SOFT_MM * normal)
    narrow = [_step(lab, outline + shift * normal, SHARP_STEP_MM * normal) for shift in SHIFTS_MM]
    return float(np.mean(np.minimum(1.0, np.max(narrow, axis=0) / np.maximum(wide, SURE_STEP))))


def _outline(view: TableView, blob: Mask) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points of the outline in pixels, and unit normals; both (n, 2)."""
    outline = contour_mm(blob, view.px_per_mm) * view.px_per_mm
    ahead = np.roll(outline, -TANGENT_POINTS, axis=0) - np.roll(outline, TANGENT_POINTS, axis=0)
    length = np.maximum(np.linalg.norm(ahead, axis=1), 1e-6)
    return outline, np.column_stack([-ahead[:, 1], ahead[:, 0]]) / length[:, None]


def _step(lab: Image, points: NDArray[np.float64], offset: NDArray[np.float64]) -> Image:
    """Difference of the colours to both sides of points."""
    return np.asarray(np.linalg.norm(_sample(lab, points + offset) - _sample(lab, points - offset), axis=1), np.float32)


def _sample(image: Image, points: NDArray[np.float64]) -> Image:
    """Values at points (n, 2), between pixels."""
    at = points.astype(np.float32)[:, None]
    values = cv2.remap(image, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values[:, 0], np.float32)


def _texture_step(view: TableView, lab: Image, blob: Mask) -> float:
    """Median difference of two places round the blob, as far apart as a step's two sides."""
    apart = max(1, round(2 * STEP_MM * view.px_per_mm))
    around = (_away(blob, view.px_per_mm) > GAP_MM) & view.seen
    steps = []
    for down, right in ((0, apart), (apart, 0)):
        both = around[down:, right:] & around[: around.shape[0] - down, : around.shape[1] - right]
        rows, columns = (each[:: max(1, len(each) // TEXTURE_SAMPLES)] for each in np.nonzero(both))
        steps.append(np.linalg.norm(lab[rows + down, columns + right] - lab[rows, columns], axis=1))
    step = np.concatenate(steps)
    return float(np.median(step)) if len(step) else 0.0


def _away(mask: Mask, px_per_mm: float) -> Image:
    """Distance to the mask in mm, negative inside."""
    outside = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray((outside - inside) / px_per_mm, np.float32)


def _log_ratio(view: TableView, mask: Mask, parts: list[Part]) -> Image:
    """Log of the ratio of the probabilities of each pixel's colour in the key and around it."""
    smooth = blur(view.pixels.astype(np.float32), 0.2 * view.px_per_mm)
    centre = np.median(_shares(smooth[::SKIP, ::SKIP]), axis=(0, 1))
    bins = _colour_bins(smooth, centre)
    away = _away(mask, view.px_per_mm)
    keys = [_density(bins[part.core]) for part in parts]
    ratio = np.zeros(mask.shape, np.float32)
    for region in (view.on_reference, ~view.on_reference):
        here = region & view.seen
        ring = here & (away > GAP_MM)
        if np.count_nonzero(ring) < FEW_SAMPLES:
            continue
        shaded = smooth[ring][::SKIP] * np.array(SHADES, np.float32)[:, None, None]
        around = (1 - SHADE_WEIGHT) * _density(bins[ring]) + SHADE_WEIGHT * _density(_colour_bins(shaded, centre))
        for part, key in zip(parts, keys, strict=True):
            at = here & part.reach
            ratio[at] = np.log((key[bins[at]] + UNSEEN_KEY * FLOOR) / (around[bins[at]] + FLOOR))
    return np.clip(ratio, -LIMIT, LIMIT)


def _colour_bins(colours: Image, centre: Image) -> NDArray[np.int32]:
    """Index of each pixel's bin in a space of brightness and two differences of colour shares round a centre."""
    level = np.clip((_sum(colours) / 3 * (BINS[0] / 256)).astype(np.int32), 0, BINS[0] - 1)
    share = (_shares(colours) - centre) / SHARE_BIN + BINS[1] / 2
    index = np.clip(share.astype(np.int32), 0, BINS[1] - 1)
    return np.asarray((level * BINS[1] + index[..., 0]) * BINS[2] + index[..., 1], np.int32)


def _shares(colours: Image) -> Image:
    """Red less green and blue less green as shares of the whole."""
    whole = _sum(colours) + 3 * DARK
    return np.asarray((colours[..., [2, 0]] - colours[..., [1]]) / whole[..., None], np.float32)


def _sum(colours: Image) -> Image:
    """Sum of each pixel's three values; numpy's own takes several times as long along so short an axis."""
    return np.asarray(colours[..., 0] + colours[..., 1] + colours[..., 2], np.float32)


def _density(bins: NDArray[np.int32]) -> Image:
    """Smoothed probability per bin."""
    cube = np.bincount(bins.ravel(), minlength=int(np.prod(BINS))).astype(np.float32).reshape(BINS)
    for size in BINS:  # along each axis in turn
        cube = np.tensordot(cube, _blurring(size), axes=(0, 1))
    smooth = cube.ravel()
    return np.asarray(smooth / max(float(smooth.sum()), FLOOR), np.float32)


@cache
def _blurring(size: int) -> Image:
    """The matrix that blurs a histogram along one axis; what would leave it stays in its last bin."""
    at = np.arange(size)
    weight = np.exp(-0.5 * ((at[:, None] - at) / BIN_BLUR) ** 2)
    return np.asarray(weight / weight.sum(axis=0), np.float32)


def _cut(view: TableView, ratio: Image, mask: Mask) -> Mask:
    """The smoothest boundary that the ratio and the edges allow.

    OpenCV's graph cut takes mixtures of Gaussians; one Gaussian each, with frozen models, makes its data term linear in
    the first channel, which carries the ratio.  The other channels tell it where edges are.
    """
    out = (_away(mask, view.px_per_mm) > REACH_MM) | ~view.seen
    rows, columns = bounds(~out, margin=1)
    pixels = blur(view.pixels[rows, columns].astype(np.float32), 0.15 * view.px_per_mm)
    pixels = SHARP_GAIN * (pixels - blur(pixels, SHARP_MM * view.px_per_mm))
    coded = np.clip((ratio[rows, columns] / LIMIT + 1) * CODE_MID, 0, 2 * CODE_MID)
    warmth = (pixels[..., 2] - pixels[..., 0]) / 2 + 128
    image = np.clip(np.stack([coded, _sum(pixels) / 3 + 128, warmth], axis=-1), 0, 255).astype(np.uint8)
    labels = np.where(ratio > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)[rows, columns]
    labels[out[rows, columns]] = cv2.GC_BGD
    cv2.grabCut(image, labels, None, _model(0.0), _model(2 * CODE_MID), 1, cv2.GC_EVAL_FREEZE_MODEL)  # type: ignore[call-overload]
    cut = np.zeros(mask.shape, bool)
    cut[rows, columns] = labels & 1  # odd labels are foreground
    return _main_part(cut, mask, view.px_per_mm)


def _model(mean: float) -> NDArray[np.float64]:
    """One Gaussian as OpenCV stores a mixture of five: weights, means, covariances."""
    variance = 2 * CODE_MID * CODE_MID / LIMIT / (OPENCV_SMOOTHNESS / SMOOTHNESS)
    model = np.zeros((1, 65))
    model[0, 0] = 1
    model[0, 5:8] = mean, 128, 128
    model[0, 20:29] = np.diag([variance, 1e6, 1e6]).ravel()  # so wide that edges alone use these channels
    return model


def _main_part(cut: Mask, seed: Mask, px_per_mm: float) -> Mask:
    """The part that shares most with the seed, filled, without threads."""
    closed = cv2.morphologyEx(cut.astype(np.uint8), cv2.MORPH_CLOSE, disk(0.8 * px_per_mm))
    opened = cv2.morphologyEx(fill_holes(closed), cv2.MORPH_OPEN, disk(1.5 * px_per_mm))
    count, labels = cv2.connectedComponents(opened, connectivity=4)
    shared = np.bincount(labels[seed], minlength=count)
    shared[0] = 0
    return np.asarray(labels == int(np.argmax(shared))) if shared.any() else np.zeros_like(seed)
