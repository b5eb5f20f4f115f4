"""A made-up examination: a drawn blade at a known place in a flat photo, for tests of the skin."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from keyid.blades.blade import Blade, EdgeTrace
from keyid.identify import Examination
from keyid.length import Length
from keyid.photos.photo import Photo
from keyid.scales.camera import Camera
from keyid.scales.scale import Scale
from keyid.silhouettes.silhouette import Silhouette
from tests.unit.example_reading import reading

PX_PER_MM = 10.0
STOP_PX = np.array([300.0, 200.0])  # the lower edge's uncut line meets the stop here; x to the right, y down
LENGTH_MM, WIDTH_MM = 28.0, 8.0
METAL = (90, 160, 190)  # blue, green, red


@dataclass(frozen=True)
class FlatFrame:
    """The blade seen from straight above, tip to the right, edge a on top."""

    def to_px(self, x_mm: np.ndarray, height_mm: np.ndarray, edge: str) -> np.ndarray:
        """As the real frame."""
        up = np.asarray(height_mm) if edge == "a" else WIDTH_MM - np.asarray(height_mm)
        return STOP_PX + PX_PER_MM * np.column_stack([x_mm, -up])

    def from_px(self, points_px: np.ndarray) -> np.ndarray:
        """As the real frame."""
        return (points_px - STOP_PX) / PX_PER_MM * [1, -1]

    @property
    def axis_px(self) -> np.ndarray:
        """As the real frame."""
        return self.to_px(np.array([0.0, LENGTH_MM]), np.full(2, WIDTH_MM / 2), "a")


def blade(**changes: object) -> Blade:
    x = np.arange(0.0, LENGTH_MM, 0.1)
    height = np.where(np.abs(x - 10) < 0.05, np.nan, WIDTH_MM)  # one station was not seen
    trace = EdgeTrace(x, height, np.full_like(x, 0.02), 0.5)
    made = Blade("shoulder", 1, Length(LENGTH_MM, 0.03), Length(WIDTH_MM, 0.02), trace, trace, 0.02, 0.03, 0.001)
    return replace(made, **changes)  # type: ignore[arg-type]


def examination(**changes: object) -> Examination:
    """Return the examination of a photo of 800 x 600 pixels; fields of the reading can be changed."""
    pixels = np.full((600, 800, 3), 128, np.uint8)
    left, low = STOP_PX.astype(int)
    pixels[low - 80 : low, left : left + 280] = METAL
    turned = np.diag([1.0, -1.0, -1.0])
    camera = Camera(2000.0, (400.0, 300.0), 0.0, turned, np.array([0.0, 0.0, 200.0]))
    card = np.array([[100.0, 300.0], [700.0, 300.0], [700.0, 560.0], [100.0, 560.0]])
    outline = np.array([[200.0, 110.0], [580.0, 110.0], [580.0, 210.0], [200.0, 210.0]])
    axis = FlatFrame().axis_px
    facts = reading()
    facts = replace(
        facts,
        scale=replace(facts.scale, px_per_mm=PX_PER_MM),
        blade=replace(facts.blade, axis_px=(tuple(axis[0]), tuple(axis[1]))),
    )
    return Examination(
        photo=Photo("key.jpg", "0" * 64, pixels, None, True),
        scale=Scale("id1-card", camera, "exif", (), card, 0.76),
        silhouette=Silhouette(outline, axis, WIDTH_MM, "metal"),
        blade=blade(),
        frame=FlatFrame(),  # type: ignore[arg-type]
        reading=replace(facts, **changes),  # type: ignore[arg-type]
    )
