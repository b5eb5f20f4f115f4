"""Blobs on the table that could be keys.

A proposal is what a network marks as a key, or whatever differs from its surroundings (brighter, darker, of another
colour, or fenced by edges) by more than the surface's own texture, at several thresholds: no single one holds for paper
and leather, nickel and plastic.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales.table_view import TableView

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

SURROUND_MM = 64.0  # side of the window whose median is the surface: a key fills less than half of it
MEDIAN_STEP_MM = 2.0  # the median is taken on a grid that coarse
TEXTURE_MM = 10.0  # the surface's texture changes little over that distance
SMOOTH_MM = 0.35  # finer texture is blurred away, a blade's cuts aren't
FLOOR = 4.0  # grey levels; contrast below it is noise whatever the texture
COLOUR_WEIGHT = 2.0  # a and b of CIELAB in 8 bits vary half as much as lightness
THRESHOLDS = (1.7, 2.5, 3.7, 5.5, 8.0, 12.0)  # times texture plus floor
EDGE_THRESHOLDS = (2.0, 3.5, 6.0)
DETAIL_MM = (0.12, 0.5)  # sharper than any penumbra of a key, coarser than the fine view's pixels
DETAIL_THRESHOLDS = (0.4, 0.6, 0.8, 1.1)
ODDS_THRESHOLDS = (-1.5, 0.0, 2.0)  # log odds: a dim part of a key, or its shadow, may be doubtful
CLOSE_MM = 1.6  # gaps in an edge, or between the parts of a glaring key
OPEN_MM = 2.0  # lines of mats and paper are narrower, blades wider
AREA_MM2 = (60.0, 2600.0)  # from a part of a small blade to a large plastic-headed key with its shadow
SIDE_MM = (12.0, 115.0)  # of the upright bounding box, the longer side
RIM_MM = 0.8  # the reference's own rim is not a difference from the surface


def propose_likely(odds: Image, px_per_mm: float) -> Iterator[Mask]:
    """Blobs that are likely to be a key by their log odds."""
    for threshold in ODDS_THRESHOLDS:
        yield from _blobs(odds > threshold, px_per_mm)


def propose(view: TableView, fine: TableView) -> Iterator[Mask]:
    """Filled blobs of the size of a key, its head or its blade, in a view; ``fine`` is the same one in more detail."""
    rim = _rim(view)
    for contrast, thresholds in itertools.chain(_contrast_maps(view), [_sharpness(view, fine)]):
        even = _in_textures(contrast, view)
        for threshold in thresholds:
            yield from _blobs((even > threshold) & ~rim, view.px_per_mm)


def _contrast_maps(view: TableView) -> Iterator[tuple[Image, tuple[float, ...]]]:
    """Maps of how much each pixel differs from its surroundings in grey levels, and their thresholds in textures."""
    lab = np.asarray(cv2.cvtColor(view.pixels, cv2.COLOR_BGR2LAB), np.float32)
    lab = blur(lab, SMOOTH_MM * view.px_per_mm)
    difference = np.zeros_like(lab)
    for region in (view.on_reference & view.seen, ~view.on_reference & view.seen):
        if region.any():
            difference[region] = (lab - _surface(lab, region, view.px_per_mm))[region]
    light = difference[..., 0]
    colour = COLOUR_WEIGHT * np.hypot(difference[..., 1], difference[..., 2])
    for contrast in (np.maximum(light, 0), np.maximum(-light, 0), np.abs(light), colour, np.hypot(light, colour)):
        yield np.asarray(contrast, np.float32), THRESHOLDS
    yield steepness(lab), EDGE_THRESHOLDS


def _sharpness(view: TableView, fine: TableView) -> tuple[Image, tuple[float, ...]]:
    """A map of fine detail, and its thresholds: on a smooth surface metal has it, and a penumbra has none."""
    grey = np.asarray(cv2.cvtColor(fine.pixels, cv2.COLOR_BGR2GRAY), np.float32)
    grey = blur(grey, DETAIL_MM[0] * fine.px_per_mm)
    detail = steepness((grey - blur(grey, DETAIL_MM[1] * fine.px_per_mm))[..., None])
    return np.asarray(cv2.resize(detail, view.seen.shape[::-1], interpolation=cv2.INTER_AREA)), DETAIL_THRESHOLDS


def _surface(lab: Image, region: Mask, px_per_mm: float) -> Image:
    """The colour of the surface below each pixel: the median of a wide window of the region."""
    factor = 1 / max(1, round(px_per_mm * MEDIAN_STEP_MM))
    weight = cv2.resize(region.astype(np.float32), None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    sums = cv2.resize(lab * region[..., None], None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    filled = _fill(np.asarray(sums / np.maximum(weight, 1e-3)[..., None], np.float32), np.asarray(weight > 0.5))
    window = 2 * int(SURROUND_MM * px_per_mm * factor / 2) + 1
    median = np.stack([cv2.medianBlur(np.ascontiguousarray(c), window) for c in np.moveaxis(filled, 2, 0)], axis=-1)
    return np.asarray(cv2.resize(median, lab.shape[1::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _fill(image: Image, known: Mask) -> NDArray[np.uint8]:
    """Replace unknown pixels by the nearest known one."""
    if not known.any():
        return np.clip(image, 0, 255).astype(np.uint8)
    _, labels = cv2.distanceTransformWithLabels(
        (~known).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    table = np.zeros((int(labels.max()) + 1, image.shape[2]), np.float32)
    table[labels[known]] = image[known]
    return np.asarray(np.clip(table[labels], 0, 255), np.uint8)


def _in_textures(image: Image, view: TableView) -> Image:
    """The map in units of its own local median, a robust measure of the texture, plus a floor."""
    factor = 1 / max(1, round(view.px_per_mm))
    coarse = cv2.resize(image, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    window = 2 * int(SURROUND_MM * view.px_per_mm * factor / 2) + 1
    median = cv2.medianBlur(np.clip(coarse * 2, 0, 255).astype(np.uint8), window).astype(np.float32) / 2
    even = blur(np.asarray(median), TEXTURE_MM * view.px_per_mm * factor)
    texture = cv2.resize(even, image.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return np.where(view.seen, image / (texture + FLOOR), 0).astype(np.float32)


def _rim(view: TableView) -> Mask:
    """A narrow band along the reference's outline."""
    kernel = disk(2 * RIM_MM * view.px_per_mm)
    return np.asarray(cv2.morphologyEx(view.on_reference.astype(np.uint8), cv2.MORPH_GRADIENT, kernel), bool)


def _blobs(mask: Mask, px_per_mm: float) -> Iterator[Mask]:
    """The connected parts of a fitting size, gaps closed, holes filled, lines taken off."""
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, disk(CLOSE_MM * px_per_mm))
    filled = fill_holes(closed)
    opened = cv2.morphologyEx(filled, cv2.MORPH_OPEN, disk(OPEN_MM * px_per_mm))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    for label in range(1, count):
        area = stats[label, cv2.CC_STAT_AREA] / px_per_mm**2
        side = max(stats[label, cv2.CC_STAT_WIDTH], stats[label, cv2.CC_STAT_HEIGHT]) / px_per_mm
        if AREA_MM2[0] < area < AREA_MM2[1] and SIDE_MM[0] < side < SIDE_MM[1]:
            yield labels == label


def fill_holes(mask: NDArray[np.uint8] | NDArray[np.generic]) -> NDArray[np.uint8]:
    """The mask with its holes filled, 0 and 1."""
    filled = np.asarray(mask, np.uint8).copy()
    contours = cv2.findContours(filled, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    return filled


def blur(image: Image, sigma_px: float) -> Image:
    """Gaussian blur."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma_px), np.float32)


def steepness(image: Image) -> Image:
    """Gradient over all channels, grey levels per pixel."""
    total = np.zeros(image.shape[:2], np.float32)
    for channel in np.moveaxis(image, 2, 0):
        total += cv2.Scharr(channel, cv2.CV_32F, 1, 0) ** 2 + cv2.Scharr(channel, cv2.CV_32F, 0, 1) ** 2
    return np.asarray(np.sqrt(total) / 32, np.float32)  # 32: the sum of Scharr's positive weights, over two pixels


def disk(diameter_px: float) -> NDArray[np.uint8]:
    """A round structuring element."""
    size = 2 * int(diameter_px / 2) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)
