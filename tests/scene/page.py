"""A printed page on the table: a PDF's filled areas as a printer lays them down."""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales.camera import Camera

Array = NDArray[np.float64]
Image = NDArray[np.float32]

INK = 0.06  # brightness of printed black, relative to the paper (common practice, no source)
OPERATION = r"((?:-?\d+(?:\.\d+)? )*)\b(rg|g|m|l|f|S|s|B|n|q|Q)\b(?=\s|$)"
POINT_MM, INCH_MM = 25.4 / 72, 25.4


@dataclass(frozen=True)
class Page:
    """A page that lies flat on the table.

    Attributes
    ----------
    values : ndarray of uint8, shape (rows, columns)
        255 where nothing is printed.
    px_per_mm : float
        As printed: a printer that shrinks has more.
    middle_px : tuple of float
        Column and row that lie over the world's origin; x to the right, y up.
    """

    values: NDArray[np.uint8]
    px_per_mm: float
    middle_px: tuple[float, float]

    def brightness(self, camera: Camera, first: NDArray[np.int64], shape: tuple[int, int], px_per_mm: float) -> Image:
        """Relative brightness of the pixels of a window of a photo of about that resolution."""
        rows, columns = np.indices(shape, dtype=np.float64)
        plan = camera.on_height(np.stack([columns + first[0], rows + first[1]], axis=-1), 0.0)
        at = (plan * [self.px_per_mm, -self.px_per_mm] + np.array(self.middle_px)).astype(np.float32)
        smooth = cv2.GaussianBlur(self.values, (0, 0), max(0.3, 0.5 * self.px_per_mm / px_per_mm))
        seen = cv2.remap(smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=(255,))
        return np.asarray(INK + (1 - INK) * seen.astype(np.float32) / 255)


def painted(pdf: bytes, dpi: float) -> NDArray[np.uint8]:
    """The filled areas of a PDF's first page, white where nothing is.

    It is painted by the few drawing operators that it uses (ISO 32000-1, 8.5).
    """
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert box is not None
    width, height = (float(value) for value in box.groups())
    scale = dpi / 72
    page = np.full((round(height * scale), round(width * scale)), 255, np.uint8)
    streams = [
        zlib.decompress(one) for one in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.S) if one[:1] == b"x"
    ]
    level, kept, points = 0.0, [0.0], []
    for operands, operator in re.findall(OPERATION, max(streams, key=len).decode("latin-1"), re.M):
        values = [float(value) for value in operands.split()]
        if operator in ("g", "rg"):
            level = values[0]
        elif operator == "q":
            kept.append(level)
        elif operator == "Q":
            level = kept.pop()
        elif operator in ("m", "l"):
            points.append((values[0] * scale - 0.5, (height - values[1]) * scale - 0.5))
        else:
            if operator == "f" and len(points) > 2:
                at = np.rint(np.array(points) * 256).astype(np.int32)
                cv2.fillPoly(page, [at], round(255 * level), shift=8)
            points = []
    return page


def printed(pdf: bytes, dpi: float, over_origin_mm: tuple[float, float], stretch: float = 1.0) -> Page:
    """A PDF's first page printed at a stretch, one of its points (mm from the upper left) over the world's origin."""
    px_per_mm = dpi / INCH_MM
    x, y = over_origin_mm
    return Page(painted(pdf, dpi), px_per_mm / stretch, (x * px_per_mm - 0.5, y * px_per_mm - 0.5))
