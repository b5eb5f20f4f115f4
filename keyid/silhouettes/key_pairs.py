"""Seeds made of a head and a blade that were proposed apart, or of a blade alone: plastic and metal differ."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.silhouettes.key_proposals import disk

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

HEAD_MM = (15.0, 50.0)  # sides of the tightest box round a head
HEAD_AREA_SHARE = 0.7  # of that box: pi / 4 for an oval
BLADE_MM = ((3.5, 17.0), (12.0, 48.0))  # short and long side of the tightest box round a blade, or most of one
BLADE_SLIM = 1.5  # its long side over the short one, at least
OVAL_MM = (34.0, 27.0)  # an imagined head: inside most plastic ones, which are what gets lost
GAP_MM = 4.0  # between head and blade: a collar's shadow, or the reference's rim
AIM_MM = 5.0  # the blade's line passes the head's middle within that
TOUCH = 0.25  # share of a blade that may lie inside the head's blob


@dataclass(frozen=True)
class _Box:
    """A blob and the tightest box round it, in mm of the view."""

    blob: Mask
    centre_mm: Array
    along: Array
    long_mm: float
    short_mm: float
    area_mm2: float


def join(blobs: list[Mask], px_per_mm: float) -> Iterator[Mask]:
    """Every head among the blobs joined with every blade that points at it."""
    boxes = [_box(blob, px_per_mm) for blob in blobs]
    heads = [box for box in boxes if _is_head(box)]
    blades = [box for box in boxes if _is_blade(box)]
    for head in heads:
        away = cv2.distanceTransform((~head.blob).astype(np.uint8), cv2.DIST_L2, 5)
        reach = np.asarray(away, np.float64) / px_per_mm
        for blade in blades:
            if _points_at(blade, head, reach):
                both = (head.blob | blade.blob).astype(np.uint8)
                yield np.asarray(cv2.morphologyEx(both, cv2.MORPH_CLOSE, disk((GAP_MM + 1) * px_per_mm)), bool)


def imagine_heads(blobs: list[Mask], px_per_mm: float) -> Iterator[Mask]:
    """Every blade among the blobs with an oval where its head would be, at one end and at the other."""
    for blade in (box for box in (_box(blob, px_per_mm) for blob in blobs) if _is_blade(box)):
        for along in (blade.along, -blade.along):
            centre = (blade.centre_mm + along * (blade.long_mm + OVAL_MM[0]) / 2) * px_per_mm
            canvas = blade.blob.astype(np.uint8)
            size = (OVAL_MM[0] * px_per_mm, OVAL_MM[1] * px_per_mm)
            turn = float(np.degrees(np.arctan2(along[1], along[0])))
            cv2.ellipse(canvas, (tuple(map(float, centre)), size, turn), 1, cv2.FILLED)
            yield canvas.astype(bool)


def _box(blob: Mask, px_per_mm: float) -> _Box:
    """The tightest box round a blob."""
    points = np.asarray(cv2.findNonZero(blob.astype(np.uint8)))
    corners = cv2.boxPoints(cv2.minAreaRect(points)).astype(np.float64) / px_per_mm
    sides = corners[1] - corners[0], corners[2] - corners[1]
    long, short = sorted(sides, key=lambda side: -float(np.linalg.norm(side)))
    size = float(np.linalg.norm(long))
    along = long / max(size, 1e-9)
    return _Box(blob, corners.mean(axis=0), along, size, float(np.linalg.norm(short)), len(points) / px_per_mm**2)


def _is_head(box: _Box) -> bool:
    full = box.area_mm2 > HEAD_AREA_SHARE * box.long_mm * box.short_mm
    return HEAD_MM[0] < box.short_mm and box.long_mm < HEAD_MM[1] and full


def _is_blade(box: _Box) -> bool:
    short, long = BLADE_MM
    sized = short[0] < box.short_mm < short[1] and long[0] < box.long_mm < long[1]
    return sized and box.long_mm > BLADE_SLIM * box.short_mm


def _points_at(blade: _Box, head: _Box, reach_mm: Array) -> bool:
    """Whether a blade begins near a head, is none of it, and points at its middle."""
    away = reach_mm[blade.blob]
    if away.min() > GAP_MM or np.mean(away == 0) > TOUCH:
        return False
    offset = head.centre_mm - blade.centre_mm
    miss = abs(float(offset @ np.array([-blade.along[1], blade.along[0]])))
    outside = abs(float(offset @ blade.along)) > head.short_mm / 2
    return miss < AIM_MM and outside
