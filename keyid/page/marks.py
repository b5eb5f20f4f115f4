"""What is drawn on the photo: lines and words in pixels of the upright photo, as far as a reading is."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyid.blade import Blade, Frame
from keyid.identify import Examination
from keyid.page.desks import Key
from keyid.picture import (
    ENDS_BEYOND_MM,
    OUTLINE,
    REFERENCE,
    STOP,
    TIP,
    Colour,
    edge_px,
    root_marks,
)
from keyid.reading import Reading
from keyid.scale import Scale
from keyid.silhouette import Silhouette

Array = NDArray[np.float64]
Json = dict[str, Any]


def marks(key: Key, reading: Reading | None) -> list[Json]:
    """Return the marks of what is known by now; ``reading`` is the newest, with what was measured by hand."""
    found: list[Json] = []
    scale, silhouette = scale_of(key), None if key.further else key.done.get("key")
    if scale is not None:
        found.append(_mark("reference", REFERENCE, [_closed(scale.outline_px)]))
    blade, frame = _newest_blade(key)
    if blade is not None and frame is not None:
        found += _measured(blade, frame)
    elif isinstance(silhouette, Silhouette):
        found.append(_mark("key", OUTLINE, [_closed(silhouette.outline_px)]))
    if key.examination is not None and reading is not None:
        found += _roots(replace(key.examination, reading=reading))
    return found


def scale_of(key: Key) -> Scale | None:
    """The scale of the photo that is shown, as soon as it is known."""
    if key.examination is not None:
        return key.examination.scale
    scale = None if key.further else key.done.get("scale")
    return scale if isinstance(scale, Scale) else None


def _newest_blade(key: Key) -> tuple[Blade | None, Frame | None]:
    """The blade of the present reading, as soon as it is measured, or else of the last one."""
    match key.done.get("blade"):
        case (Blade() as blade, Frame() as frame) if not key.further:
            return blade, frame
    return (None, None) if key.examination is None else (key.examination.blade, key.examination.frame)


def blade_view(key: Key) -> Json | None:
    """Return what to show first: the blade's ends, from the stop's side to the tip, and its width, in pixels."""
    if key.examination is None:
        return None
    reading = key.examination.reading
    return {
        "ends": np.round(key.examination.frame.axis_px, 1).tolist(),
        "width": round(reading.blade.width.mm * reading.scale.px_per_mm, 1),
    }


def _measured(blade: Blade, frame: Frame) -> list[Json]:
    """Edges, stop and tip."""
    across = np.array([-ENDS_BEYOND_MM / 2, blade.width.mm + ENDS_BEYOND_MM])
    found = [_mark("edges", OUTLINE, [*edge_px(blade, frame, "a"), *edge_px(blade, frame, "b")])]
    if blade.stop != "unknown":
        found.append(_mark("stop", STOP, [frame.to_px(np.zeros(2), across, "a")], f"stop: {blade.stop}"))
    if blade.length is not None:
        found.append(_mark("tip", TIP, [frame.to_px(np.full(2, blade.length.mm), across, "a")], "tip"))
    return found


def _roots(examination: Examination) -> list[Json]:
    return [
        {**_mark("root", mark.colour, [mark.points_px], mark.label), "cut": mark.number}
        for mark in root_marks(examination)
    ]


def _mark(kind: str, colour: Colour, lines: list[Array], label: str = "") -> Json:
    return {
        "kind": kind,
        "colour": "#{:02x}{:02x}{:02x}".format(*colour),
        "lines": [np.round(line, 1).tolist() for line in lines],
        "label": label,
    }


def _closed(outline_px: Array) -> Array:
    return np.vstack([outline_px, outline_px[:1]])
