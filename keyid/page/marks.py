"""What is drawn on the photo: lines and words in pixels of the upright photo, as far as a reading is."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.blades.blade_frame import Frame
from keyid.identify import Examination
from keyid.page.desks import Key
from keyid.readings.compose import px_per_mm
from keyid.readings.reading import Reading
from keyid.reports.picture import (
    ENDS_BEYOND_MM,
    OUTLINE,
    REFERENCE,
    STOP,
    TIP,
    Colour,
    edge_px,
    root_marks,
)
from keyid.scales.scale import Scale
from keyid.silhouettes.silhouette import Silhouette

WITHOUT = ("none", "blank")  # scales that are from nothing beside the key

Array = NDArray[np.float64]
Json = dict[str, Any]


Found = tuple[Scale | None, Silhouette | None, Blade | None, Frame | None]
"""What was found in a photo, as far as it is known."""


def marks(key: Key, reading: Reading | None, n: int = 0) -> list[Json]:
    """Return the marks of what is known of a photo by now.

    ``reading`` is the newest, with what was measured by hand; its roots are marked in the photo that it is of.
    """
    found: list[Json] = []
    scale, silhouette, blade, frame = found_in(key, n)
    if scale is not None and scale.reference not in WITHOUT:
        found.append(_mark("reference", REFERENCE, [_closed(scale.outline_px)]))
    if blade is not None and frame is not None:
        found += _measured(blade, frame)
    elif silhouette is not None:
        found.append(_mark("key", OUTLINE, [_closed(silhouette.outline_px)]))
    if key.examination is not None and reading is not None and n == key.first:
        found += _roots(replace(key.examination, reading=reading))
    return found


def found_in(key: Key, n: int) -> Found:
    """What the present reading found in a photo, or else the last one."""
    if not key.alone:
        return _of_several(key, n)
    before = key.examination
    scale, silhouette, blade = (key.done.get(stage) for stage in ("scale", "key", "blade"))
    seen_scale = scale if isinstance(scale, Scale) else None
    seen = silhouette if isinstance(silhouette, Silhouette) else None
    if before is not None:
        seen_scale, seen = before.scale, seen or before.silhouette
    match blade:
        case (Blade() as newest, Frame() as frame):
            return seen_scale, seen, newest, frame
    return (seen_scale, seen, None, None) if before is None else (seen_scale, seen, before.blade, before.frame)


def _of_several(key: Key, n: int) -> Found:
    """Of the photo that the reading is of its blade, which all photos have a part in; of the others their own."""
    read = key.examination
    if read is not None and n == key.first:
        return read.scale, read.silhouette, read.blade, read.frame
    found = key.measured.get(n)
    return (None, None, None, None) if found is None else found[1:]


def blade_view(key: Key, n: int = 0) -> Json | None:
    """Return what to show first: the blade's ends, from the stop's side to the tip, and its width, in pixels."""
    _, _, blade, frame = found_in(key, n)
    if blade is None or frame is None or (key.alone and key.examination is None):
        return None
    return {
        "ends": np.round(frame.axis_px, 1).tolist(),
        "width": round(blade.width.mm * px_per_mm(frame, blade), 1),
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
