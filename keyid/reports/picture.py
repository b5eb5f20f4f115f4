"""A picture of what was measured, drawn on the photo: to be judged by eye, on a phone."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from keyid.reports.text import plain, verdict

if TYPE_CHECKING:
    from keyid.blades.blade import Blade
    from keyid.blades.blade_frame import Frame
    from keyid.identify import Examination
    from keyid.readings.reading import Reading

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]
Colour = tuple[int, int, int]

WIDTH_PX = 1600  # legible on a phone without zooming, and quick to send
TALLEST_OVERVIEW_PX = 1300
TALLEST_CLOSEUP_PX = 700
ROOM_AROUND = 0.04  # of the overview's longer side, left free around key and reference
CLOSEUP_ROOM_MM = 4.0  # around the blade: labels stand there
BANNER_PX, FOOTER_PX, SMALL_PX = 44, 30, 34  # heights of letters
PADDING_PX = 18
LINE_PX, HALO_PX = 3, 7
BAR_MM = 10.0
BAR_BELOW_MM = 3.0  # the bar lies beside the blade, beyond the codes
BEYOND_MM = 1.0  # lines across the blade reach that far out of it
ENDS_BEYOND_MM = 2.4  # those of stop and tip farther, so that their labels clear the codes
ROOT_HALF_MM = 0.5  # half the line along a root: about its flat
SUBPIXEL_BITS = 4  # OpenCV draws lines at sixteenths of a pixel

# Colours that people with any kind of colour blindness tell apart: Okabe and Ito, Color Universal Design (2008); RGB.
OUTLINE: Colour = (240, 228, 66)
STOP: Colour = (230, 120, 40)
TIP: Colour = (86, 180, 233)
AXIS: Colour = (255, 255, 255)
ROOT: Colour = (230, 159, 210)
REFERENCE: Colour = (70, 210, 170)
DARK: Colour = (16, 16, 16)
LIGHT: Colour = (245, 245, 245)


@dataclass(frozen=True)
class View:
    """A part of the photo on a canvas: ``affine`` (2, 3) maps pixels of the photo to those of the canvas."""

    affine: Array
    size_px: tuple[int, int]

    def place(self, points_px: Array) -> Array:
        """Pixels of the photo (n, 2) to pixels of the canvas."""
        return np.asarray(points_px @ self.affine[:, :2].T + self.affine[:, 2])


@dataclass(frozen=True)
class Mark:
    """A line of the drawing in pixels of the photo, with an optional label at its end, and the number of its cut."""

    points_px: Array
    colour: Colour
    closed: bool = False
    label: str = ""
    number: int = 0


def draw(examination: Examination) -> Image.Image:
    """Draw verdict, blade from near, key with reference, and the cautions, one below the other."""
    marks = _marks(examination)
    parts = [
        _words(verdict(examination.reading), BANNER_PX),
        _drawn(examination.photo.pixels, closeup(examination), marks, labels=True),
        _drawn(examination.photo.pixels, overview(examination), marks, labels=False),
        _words(legend(examination.reading), FOOTER_PX),
        _words(" ".join(examination.reading.cautions), FOOTER_PX),
    ]
    whole = Image.new("RGB", (WIDTH_PX, sum(part.height for part in parts)), DARK)
    top = 0
    for part in parts:
        whole.paste(part, ((WIDTH_PX - part.width) // 2, top))
        top += part.height
    return whole


def legend(reading: Reading) -> str:
    """What the colours and the figures at the roots stand for."""
    figures = "the metal left there in mm" if reading.bitting is None else "their codes"
    stop = {"shoulder": ["stop orange"], "tip": ["stop (the tip) orange"], "unknown": []}[reading.blade.stop]
    tip = ["tip blue"] if reading.blade.length is not None else []
    return ", ".join(["Outline yellow", *stop, *tip, f"roots pink with {figures}", "reference green."])


def draw_closeup(examination: Examination) -> Image.Image:
    """Draw the blade from near, the tip to the right, with what was measured."""
    return _drawn(examination.photo.pixels, closeup(examination), _marks(examination), labels=True)


def png(picture: Image.Image) -> bytes:
    """Return a picture as PNG."""
    data = io.BytesIO()
    picture.save(data, "PNG")
    return data.getvalue()


def _marks(examination: Examination) -> list[Mark]:
    """Everything that was measured, as lines on the photo."""
    blade, frame = examination.blade, examination.frame
    beyond = np.array([-BEYOND_MM, blade.width.mm + ENDS_BEYOND_MM])
    bar = frame.to_px(np.array([0.0, BAR_MM]), np.full(2, -BAR_BELOW_MM), "a")
    marks = [
        Mark(examination.scale.outline_px, REFERENCE, closed=True),
        Mark(examination.frame.axis_px, AXIS),
        *(Mark(points, OUTLINE) for edge in ("a", "b") for points in edge_px(blade, frame, edge)),
        Mark(bar, LIGHT, label="10 mm"),
    ]
    if blade.stop != "unknown":
        marks.append(Mark(frame.to_px(np.zeros(2), beyond, "a"), STOP, label=f"stop: {blade.stop}"))
    if blade.length is not None:
        marks.append(Mark(frame.to_px(np.full(2, blade.length.mm), beyond, "a"), TIP, label="tip"))
    return marks + root_marks(examination)


def edge_px(blade: Blade, frame: Frame, edge: Literal["a", "b"]) -> list[Array]:
    """Return the measured stretches of an edge; where nothing was seen there is a gap."""
    trace = blade.a if edge == "a" else blade.b
    seen = np.isfinite(trace.height_mm)
    points = frame.to_px(trace.x_mm, trace.height_mm, edge)
    starts = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(int)))
    return [points[first:last] for first, last in starts.reshape(-1, 2)]


def root_marks(examination: Examination) -> list[Mark]:
    """Return a line along each root and one leading from it out of the blade, to its code or, undecoded, its height."""
    reading = examination.reading
    if reading.bitting is None:
        seen = enumerate(reading.cuts, 1)
        found = [(n, cut.edge, cut.position.mm, cut.root.mm, f"{cut.root.mm:.2f}") for n, cut in seen]
    else:
        edges: tuple[Literal["a", "b"], ...] = ("a", "b") if reading.blade.edges == 2 else ("a",)
        cuts = list(enumerate(reading.bitting.cuts, 1))
        found = [(n, edge, cut.position.mm, cut.root.mm, cut.code) for edge in edges for n, cut in cuts]
    return [_root_mark(examination, *each) for each in found]


def _root_mark(
    examination: Examination, number: int, edge: Literal["a", "b"], x: float, root: float, label: str
) -> Mark:
    along = np.array([x - ROOT_HALF_MM, x + ROOT_HALF_MM, x, x])
    height = np.array([root, root, root, examination.blade.width.mm + BEYOND_MM])
    return Mark(examination.frame.to_px(along, height, edge), ROOT, label=label, number=number)


def closeup(examination: Examination) -> View:
    """Turn the blade level with the tip to the right, as large as the canvas allows."""
    start, tip = examination.frame.axis_px
    room_px = CLOSEUP_ROOM_MM * examination.reading.scale.px_per_mm
    length_px = float(np.hypot(*(tip - start)))
    across_px = examination.blade.width.mm * examination.reading.scale.px_per_mm + 2 * room_px
    zoom = min(WIDTH_PX / (length_px + 2 * room_px), TALLEST_CLOSEUP_PX / across_px)
    cos, sin = (tip - start) / length_px * zoom
    turn = np.array([[cos, sin], [-sin, cos]])
    size = (WIDTH_PX, round(across_px * zoom))
    shift = np.asarray(size) / 2 - turn @ ((start + tip) / 2)
    return View(np.column_stack([turn, shift]), size)


def overview(examination: Examination) -> View:
    """Crop to key and reference."""
    points = np.concatenate([examination.silhouette.outline_px, examination.scale.outline_px])
    low, high = points.min(axis=0), points.max(axis=0)
    room = ROOM_AROUND * float(np.max(high - low))
    low = np.maximum(low - room, 0)
    high = np.minimum(high + room, [examination.photo.width_px - 1, examination.photo.height_px - 1])
    zoom = min(WIDTH_PX / (high[0] - low[0]), TALLEST_OVERVIEW_PX / (high[1] - low[1]))
    size = (round((high[0] - low[0]) * zoom), round((high[1] - low[1]) * zoom))
    return View(np.column_stack([np.eye(2) * zoom, -low * zoom]), size)


def _drawn(pixels: Pixels, view: View, marks: list[Mark], *, labels: bool) -> Image.Image:
    """Draw one view: the photo, every line on a dark halo, labels on top."""
    canvas = shown(pixels, view)
    for colour, thickness in ((None, HALO_PX), (True, LINE_PX)):
        for mark in marks:
            points = np.rint(view.place(mark.points_px) * 2**SUBPIXEL_BITS).astype(np.int32).reshape(-1, 1, 2)
            shade = mark.colour[::-1] if colour else DARK
            cv2.polylines(canvas, [points], mark.closed, shade, thickness, cv2.LINE_AA, SUBPIXEL_BITS)
    picture = Image.fromarray(np.ascontiguousarray(canvas[..., ::-1]))
    if labels:
        for mark in marks:
            _write_label(picture, view, mark)
    return picture


def shown(pixels: Pixels, view: View) -> Pixels:
    """Resample the photo into a view; when it shrinks, each new pixel is a mean over those it covers."""
    zoom = float(np.hypot(*view.affine[0, :2]))
    if zoom >= 1:
        return np.asarray(cv2.warpAffine(pixels, view.affine, view.size_px, flags=cv2.INTER_CUBIC), np.uint8)
    shrunk = cv2.resize(pixels, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    ratio = np.array([shrunk.shape[1] / pixels.shape[1], shrunk.shape[0] / pixels.shape[0]])
    affine = view.affine.copy()
    affine[:, :2] /= ratio
    affine[:, 2] += affine[:, :2] @ (0.5 - 0.5 * ratio)  # a resize keeps the corner of the picture, not pixel (0, 0)
    return np.asarray(cv2.warpAffine(shrunk, affine, view.size_px, flags=cv2.INTER_LINEAR), np.uint8)


def _write_label(picture: Image.Image, view: View, mark: Mark) -> None:
    """Write a label beyond the end of its line."""
    if not mark.label:
        return
    *_, before, end = view.place(mark.points_px)
    away = (end - before) / max(float(np.hypot(*(end - before))), 1.0)
    font = ImageFont.load_default(SMALL_PX)
    half = np.array([font.getlength(mark.label) / 2 + LINE_PX, SMALL_PX / 2 + LINE_PX])
    x, y = np.clip(end + away * half, half, np.asarray(picture.size) - half)
    ImageDraw.Draw(picture).text(
        (x, y), plain(mark.label), LIGHT, font, anchor="mm", stroke_width=LINE_PX, stroke_fill=DARK
    )


def _words(text: str, size_px: int) -> Image.Image:
    """Write text across the canvas, on as many lines as it takes."""
    font = ImageFont.load_default(size_px)
    lines = _broken(plain(text), font)
    height = round(1.3 * size_px)
    strip = Image.new("RGB", (WIDTH_PX, 2 * PADDING_PX + height * len(lines)), DARK)
    pen = ImageDraw.Draw(strip)
    for n, line in enumerate(lines):
        pen.text((PADDING_PX, PADDING_PX + n * height), line, LIGHT, font)
    return strip


def _broken(text: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont) -> list[str]:
    """Break text into lines that fit the canvas."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and font.getlength(longer) > WIDTH_PX - 2 * PADDING_PX:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
