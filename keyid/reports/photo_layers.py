"""The photo with what was measured on it, layer by layer, for a page that can switch them."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from keyid.identify import Examination
from keyid.profiles.profile import Profile
from keyid.rankings.cutmodel import ideal_edge, shape_of
from keyid.reports.drawing import Place
from keyid.reports.picture import (
    OUTLINE,
    REFERENCE,
    ROOT,
    STOP,
    Colour,
    View,
    closeup,
    edge_px,
    overview,
    root_marks,
    shown,
)

Array = NDArray[np.float64]

QUALITY = 82  # of JPEG: no blocks to be seen
OVERVIEW_PART = 0.6  # of the picture's size: there is nothing fine to be seen
BEYOND_MM = 2.0  # lines of stop and tip reach that far out of the blade
NOMINAL: Colour = (255, 255, 255)
STEP_MM = 0.1


@dataclass(frozen=True)
class Label:
    """A word at a place of the picture."""

    x: float
    y: float
    text: str


@dataclass(frozen=True)
class Layer:
    """Lines of one kind, in pixels of the embedded picture."""

    name: str
    said: str
    colour: str
    lines: tuple[tuple[Place, ...], ...]
    labels: tuple[Label, ...] = ()
    dashed: bool = False


@dataclass(frozen=True)
class LayeredPhoto:
    """A part of the photo as JPEG in base64, its size, and its layers from the lowest up."""

    jpeg: str
    width_px: int
    height_px: int
    layers: tuple[Layer, ...]


def layered_closeup(examination: Examination, profile: Profile | None) -> LayeredPhoto:
    """The blade from near, level, tip to the right; ``profile`` is that of the bitting."""
    view = closeup(examination)
    layers = [
        _layer("edges", "edges as seen", OUTLINE, _both_edges(examination), view),
        _ends(examination, view),
        _roots(examination, view),
    ]
    if profile is not None and _read_cuts(examination, profile):
        layers.insert(1, _nominal(examination, profile, view))
    return _layered(examination, view, layers)


def layered_overview(examination: Examination) -> LayeredPhoto:
    """Key and reference, the reference's outline drawn."""
    whole = overview(examination)
    view = View(
        whole.affine * OVERVIEW_PART, (int(whole.size_px[0] * OVERVIEW_PART), int(whole.size_px[1] * OVERVIEW_PART))
    )
    outline = examination.scale.outline_px
    edges = _both_edges(examination)
    layers = [
        _layer("reference", "reference", REFERENCE, [np.vstack([outline, outline[:1]])], view),
        _layer("edges", "edges as seen", OUTLINE, edges, view),
    ]
    return _layered(examination, view, layers)


def _both_edges(examination: Examination) -> list[Array]:
    blade, frame = examination.blade, examination.frame
    return [*edge_px(blade, frame, "a"), *edge_px(blade, frame, "b")]


def _layered(examination: Examination, view: View, layers: list[Layer]) -> LayeredPhoto:
    return LayeredPhoto(_jpeg(shown(examination.photo.pixels, view)), *view.size_px, tuple(layers))


def _places(view: View, points_px: Array) -> tuple[Place, ...]:
    """Places in the picture of pixels of the photo."""
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in view.place(np.asarray(points_px)))


def _jpeg(pixels: NDArray[np.uint8]) -> str:
    """A JPEG without anything that the camera wrote."""
    data = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels[..., ::-1])).save(data, "JPEG", quality=QUALITY)
    return base64.b64encode(data.getvalue()).decode("ascii")


def _layer(
    name: str, said: str, colour: Colour, lines: list[Array], view: View, labels: tuple[Label, ...] = ()
) -> Layer:
    return Layer(
        name, said, "#{:02x}{:02x}{:02x}".format(*colour), tuple(_places(view, line) for line in lines), labels
    )


def _ends(examination: Examination, view: View) -> Layer:
    """Stop, tip and axis."""
    blade, frame = examination.blade, examination.frame
    across = np.array([-BEYOND_MM, blade.width.mm + BEYOND_MM])
    lines, labels = [examination.frame.axis_px], []
    if blade.stop != "unknown":
        lines.append(frame.to_px(np.zeros(2), across, "a"))
        labels.append(_label(_places(view, lines[-1])[-1], f"stop: {blade.stop}"))
    if blade.length is not None:
        lines.append(frame.to_px(np.full(2, blade.length.mm), across, "a"))
        labels.append(_label(_places(view, lines[-1])[-1], "tip"))
    return _layer("ends", "stop, tip and axis", STOP, lines, view, tuple(labels))


def _roots(examination: Examination, view: View) -> Layer:
    marks = root_marks(examination)
    labels = tuple(_label(_places(view, mark.points_px)[-1], mark.label) for mark in marks)
    return _layer("roots", "roots", ROOT, [mark.points_px for mark in marks], view, labels)


def _label(at: Place, text: str) -> Label:
    return Label(at[0], at[1], text)


def _nominal(examination: Examination, profile: Profile, view: View) -> Layer:
    """The edge that the likeliest blade's code would leave, over the real one."""
    blade = examination.blade
    x = np.arange(0.0, float(blade.a.x_mm[-1]), STEP_MM)
    positions, roots = (np.array(values) for values in zip(*_read_cuts(examination, profile), strict=True))
    height, _ = ideal_edge(x, positions, roots, shape_of(profile), blade.width.mm)
    edges = ("a", "b") if blade.edges == 2 else ("a",)
    lines = [examination.frame.to_px(x, height, "a" if edge == "a" else "b") for edge in edges]
    layer = _layer("nominal", "edge that the code would give", NOMINAL, lines, view)
    return Layer(layer.name, layer.said, layer.colour, layer.lines, dashed=True)


def _read_cuts(examination: Examination, profile: Profile) -> list[tuple[float, float]]:
    """Measured position and nominal root of each cut whose code was read, in the order of position."""
    bitting = examination.reading.bitting
    heights = dict(zip(profile.codes, profile.roots_mm, strict=True))
    cuts = () if bitting is None else bitting.cuts
    return sorted((cut.position.mm, heights[cut.code]) for cut in cuts if cut.code in heights)
