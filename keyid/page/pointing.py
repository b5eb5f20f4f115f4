"""Pointing on the photo as it is shown: where the handles are, and what was pointed at.

Places on the page are pixels of the photo alone; what is told of a file is in pixels of its whole picture, a
screenshot's bars with it (`keyid.photos.photo.Photo.frame`).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.blades.blade_frame import Frame
from keyid.page.desks import Key
from keyid.page.marks import found_in
from keyid.scales.pointed import Point, Pointed

Array = NDArray[np.float64]
Json = dict[str, Any]


def handles(key: Key, n: int = 0) -> Json:
    """Return where a photo's handles for pointing are at first: where it was pointed, or else where it was found."""
    pointed = key.asked.pointed_in(n).seen_from(*_corner(key, n))
    scale, _, blade, frame = found_in(key, n)
    found = {} if blade is None or frame is None else _found_ends(blade, frame)
    corners = pointed.corners_px or (_corners(scale.outline_px) if scale is not None else None)
    return {
        "stop": pointed.stop_px or found.get("stop"),
        "tip": pointed.tip_px or found.get("tip"),
        "key": pointed.key_px,
        "reference": corners,
    }


def _found_ends(blade: Blade, frame: Frame) -> dict[str, Point]:
    """Stop and tip as they were found."""
    ends = {"tip": _point(frame.axis_px[1])}
    if blade.stop == "shoulder":
        ends["stop"] = _point(frame.to_px(np.zeros(1), np.array([blade.width.mm]), "a")[0])
    elif blade.stop == "tip":
        ends["stop"] = ends["tip"]
    return ends


def _corners(outline_px: Array) -> tuple[Point, ...]:
    """The four corners of the smallest rectangle around an outline: near enough to begin with."""
    return tuple(_point(corner) for corner in cv2.boxPoints(cv2.minAreaRect(outline_px.astype(np.float32))))


def _point(at: Array) -> Point:
    return round(float(at[0]), 1), round(float(at[1]), 1)


def pointed_at(key: Key, what: str, at: Any, n: int = 0) -> Pointed:  # noqa: ANN401  (whatever was sent)
    """Return what is pointed at in a photo with one thing more or moved.

    Raises ValueError or TypeError where that is no place.
    """
    before, (left, top) = key.asked.pointed_in(n), _corner(key, n)

    def place(sent: Any) -> Point:  # noqa: ANN401
        x, y = (float(one) for one in sent)
        if not (math.isfinite(x) and math.isfinite(y)):
            raise ValueError(sent)
        return x + left, y + top

    if what == "reference":
        first, second, third, fourth = (place(one) for one in at)
        return replace(before, corners_px=(first, second, third, fourth))
    if what == "stop":
        return replace(before, stop_px=place(at))
    if what == "tip":
        return replace(before, tip_px=place(at))
    if what == "key":
        return replace(before, key_px=place(at))
    raise ValueError(what)


def _corner(key: Key, n: int) -> tuple[int, int]:
    """Where a photo's own corner is in the file's picture."""
    frame = key.photos[n].frame if key.photos else None
    return (0, 0) if frame is None else (frame.left_px, frame.top_px)
