"""The key's pixels near a seed: colours learnt from the seed and its surroundings, joined by a graph cut.

The surroundings' colours count also in shade, so that the shadow which the key casts isn't taken for key; table and
reference each have their own colours.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_fill_holes, gaussian_filter

from keyid.key_proposals import blur, disk, steepness
from keyid.table_view import TableView

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

NEAR_MM = 12.0  # surroundings from which the surface's colours are learnt
REACH_MM = 9.0  # the key reaches no further beyond a seed
GAP_MM = 2.5  # what lies that near a seed's edge may be either
CORE_MM = 0.8  # what lies that deep in a seed is taken for key
FEW_SAMPLES = 100  # too few to learn colours from
BINS = 24  # per colour axis
SHADES = (0.92, 0.85, 0.77, 0.69, 0.61, 0.53, 0.45)  # of the surface's coded values, in shadow of the key
SHADE_WEIGHT = 0.5  # of all shades together against the lit surface
FLOOR = 2e-5  # probability of a colour never seen: a few pixels in a blade's area
LIMIT = 5.0  # log of the ratio of probabilities; no single pixel is surer
ROUNDS = 2  # the second learns from the first's result
SMOOTHNESS = 5.0  # nats that an edge-free boundary costs per pixel
CODE_MID = 32.0  # the log ratio of 0 in the coded channel
OPENCV_SMOOTHNESS = 50.0  # gamma, fixed in OpenCV's grabcut.cpp

OUTLINE_SLACK_MM = 0.5  # an edge that near to the outline supports it
FOREIGN_MM = 1.5  # an outline that near to the reference's is the reference's
SURE_STEEPNESS = 6.0  # grey levels per mm on a surface without texture
TEXTURE_STEEPNESS = 2.5  # times the median around


def refine(view: TableView, seed: Mask) -> Mask:
    """The key's pixels near a seed, filled; empty when nothing is left of it."""
    frame = _window(seed, NEAR_MM * view.px_per_mm)
    near = TableView(
        view.pixels[frame], view.seen[frame], view.on_reference[frame], view.px_per_mm, view.corner_mm
    )  # its corner isn't used
    mask = seed[frame]
    for _ in range(ROUNDS):
        if mask.any():
            mask = _cut(near, _log_ratio(near, mask), mask)
    out = np.zeros_like(seed)
    out[frame] = mask
    return out


def support(view: TableView, blob: Mask) -> float:
    """Share of the outline that is a clear edge of its own: much steeper than the texture, and not the reference's."""
    frame = _window(blob, NEAR_MM * view.px_per_mm)
    lab = np.asarray(cv2.cvtColor(view.pixels[frame], cv2.COLOR_BGR2LAB), np.float32)
    steep = steepness(blur(lab, 0.25 * view.px_per_mm)) * view.px_per_mm
    mask = blob[frame]
    around = (_away(mask, view.px_per_mm) > GAP_MM) & view.seen[frame]
    texture = float(np.median(steep[around])) if around.any() else 0.0
    best = cv2.dilate(steep, disk(2 * OUTLINE_SLACK_MM * view.px_per_mm))
    best[np.abs(_away(view.on_reference, view.px_per_mm)[frame]) < FOREIGN_MM] = 0
    rim = mask & (cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) == 0)
    return float(np.mean(best[rim] > TEXTURE_STEEPNESS * texture + SURE_STEEPNESS))


def _window(seed: Mask, margin_px: float) -> tuple[slice, slice]:
    """Rows and columns of a seed with a margin."""
    rows, columns = np.nonzero(seed.any(axis=1))[0], np.nonzero(seed.any(axis=0))[0]
    margin = round(margin_px)
    return (
        slice(max(0, rows[0] - margin), rows[-1] + margin + 1),
        slice(max(0, columns[0] - margin), columns[-1] + margin + 1),
    )


def _away(mask: Mask, px_per_mm: float) -> Image:
    """Distance to the mask in mm, negative inside."""
    outside = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    inside = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)
    return np.asarray((outside - inside) / px_per_mm, np.float32)


def _log_ratio(view: TableView, mask: Mask) -> Image:
    """Log of the ratio of the probabilities of each pixel's colour in the key and around it."""
    smooth = blur(view.pixels.astype(np.float32), 0.2 * view.px_per_mm)
    bins = _colour_bins(smooth)
    away = _away(mask, view.px_per_mm)
    core = away < -CORE_MM
    key = _density(bins[core if np.count_nonzero(core) > FEW_SAMPLES else mask])
    ratio = np.zeros(mask.shape, np.float32)
    for region in (view.on_reference, ~view.on_reference):
        here = region & view.seen
        ring = here & (away > GAP_MM)
        if np.count_nonzero(ring) > FEW_SAMPLES:
            shades = [_density(_colour_bins(smooth[ring] * np.float32(shade))) for shade in SHADES]
            around = (1 - SHADE_WEIGHT) * _density(bins[ring]) + SHADE_WEIGHT * np.mean(shades, axis=0)
            ratio[here] = np.log((key[bins[here]] + FLOOR) / (around[bins[here]] + FLOOR))
    return np.clip(ratio, -LIMIT, LIMIT)


def _colour_bins(pixels: Image) -> NDArray[np.int32]:
    """Index of each pixel's bin in a space of brightness and two colour differences."""
    grey = pixels.mean(axis=-1) / 256
    red = (pixels[..., 2] - pixels[..., 1]) / 256 * 2 + 0.5
    blue = (pixels[..., 0] - pixels[..., 1]) / 256 * 2 + 0.5
    index = [np.clip((axis * BINS).astype(np.int32), 0, BINS - 1) for axis in (grey, red, blue)]
    return np.asarray((index[0] * BINS + index[1]) * BINS + index[2], np.int32)


def _density(bins: NDArray[np.int32]) -> Image:
    """Smoothed probability per bin."""
    cube = np.bincount(bins.ravel(), minlength=BINS**3).astype(np.float32).reshape(BINS, BINS, BINS)
    smooth = gaussian_filter(cube, 0.8, mode="nearest").ravel()
    return np.asarray(smooth / max(float(smooth.sum()), FLOOR), np.float32)


def _cut(view: TableView, ratio: Image, mask: Mask) -> Mask:
    """The smoothest boundary that the ratio and the edges allow.

    OpenCV's graph cut takes mixtures of Gaussians; one Gaussian each, with frozen models, makes its data term linear in
    the first channel, which carries the ratio.  The other channels tell it where edges are.
    """
    coded = np.clip((ratio / LIMIT + 1) * CODE_MID, 0, 2 * CODE_MID)
    pixels = blur(view.pixels.astype(np.float32), 0.15 * view.px_per_mm)
    warmth = (pixels[..., 2] - pixels[..., 0]) / 2 + 128
    image = np.clip(np.stack([coded, pixels.mean(axis=-1), warmth], axis=-1), 0, 255).astype(np.uint8)
    labels = np.where(ratio > 0, cv2.GC_PR_FGD, cv2.GC_PR_BGD).astype(np.uint8)
    labels[(_away(mask, view.px_per_mm) > REACH_MM) | ~view.seen] = cv2.GC_BGD
    cv2.grabCut(image, labels, None, _model(0.0), _model(2 * CODE_MID), 1, cv2.GC_EVAL_FREEZE_MODEL)  # type: ignore[call-overload]
    return _main_part((labels & 1).astype(bool), mask, view.px_per_mm)  # odd labels are foreground


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
    filled = binary_fill_holes(closed).astype(np.uint8)
    opened = cv2.morphologyEx(filled, cv2.MORPH_OPEN, disk(1.5 * px_per_mm))
    count, labels = cv2.connectedComponents(opened, connectivity=4)
    shared = np.bincount(labels[seed], minlength=count)
    shared[0] = 0
    return np.asarray(labels == int(np.argmax(shared))) if shared.any() else np.zeros_like(seed)
