"""Line drawings to scale: shapes in mm, written as SVG or painted as a picture.

A drawing is made once, of lines, areas and words, and every format shows the same.  x runs to the right and y down,
both in mm on paper.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import Literal

from PIL import Image, ImageDraw, ImageFont

Place = tuple[float, float]

INK = "#1d2126"
PAPER = "#ffffff"
FINER = 4  # times finer than asked the picture is painted, then shrunk: Pillow's lines have no smooth edges
LETTER_BASE = 0.36  # of the letters' size: from their middle down to the line they stand on
FONT = "system-ui, 'Segoe UI', Roboto, 'DejaVu Sans', sans-serif"


@dataclass(frozen=True)
class Line:
    """A line through points, or the outline of an area.

    Attributes
    ----------
    points : tuple of (x, y)
        In mm.
    colour : str
        ``#rrggbb``, or "none" for an area without an outline.
    width_mm : float
    dash_mm : float
        Length of dashes and of the gaps between them; 0 for an unbroken line.
    closed : bool
    fill : str
        Colour of the area, or "none".
    """

    points: tuple[Place, ...]
    colour: str = INK
    width_mm: float = 0.2
    dash_mm: float = 0.0
    closed: bool = False
    fill: str = "none"


@dataclass(frozen=True)
class Words:
    """One line of words whose middle height is at ``y``."""

    x: float
    y: float
    text: str
    size_mm: float
    anchor: Literal["start", "middle", "end"] = "start"
    colour: str = INK


@dataclass(frozen=True)
class Drawing:
    """Shapes on a sheet, those listed later on top; ``title`` says in words what is to be seen."""

    width_mm: float
    height_mm: float
    shapes: tuple[Line | Words, ...]
    title: str


def rectangle(left: float, top: float, right: float, bottom: float) -> tuple[Place, ...]:
    """Return the corners of a rectangle."""
    return (left, top), (right, top), (right, bottom), (left, bottom)


def svg(drawing: Drawing, *, size: Literal["paper", "fluid"] = "paper") -> str:
    """Return the drawing as SVG: at its true size on paper, or as wide as what it stands in."""
    width, height = _number(drawing.width_mm), _number(drawing.height_mm)
    extent = f'width="{width}mm" height="{height}mm" ' if size == "paper" else ""
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {extent}viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="{escape(drawing.title)}">',
        f"<title>{escape(drawing.title, quote=False)}</title>",
        f'<rect width="{width}" height="{height}" fill="{PAPER}"/>',
        *(_svg_line(shape) if isinstance(shape, Line) else _svg_words(shape) for shape in drawing.shapes),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def picture(drawing: Drawing, px_per_mm: float) -> Image.Image:
    """Paint the drawing, so many pixels to a mm of paper."""
    scale = px_per_mm * FINER
    size = (round(drawing.width_mm * scale), round(drawing.height_mm * scale))
    canvas = Image.new("RGB", size, PAPER)
    pen = ImageDraw.Draw(canvas)
    for shape in drawing.shapes:
        if isinstance(shape, Line):
            _paint_line(pen, shape, scale)
        else:
            _paint_words(pen, shape, scale)
    return canvas.resize((size[0] // FINER, size[1] // FINER), Image.Resampling.BOX)


def _number(value: float) -> str:
    """A length to a micrometre, without needless digits."""
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _svg_line(line: Line) -> str:
    points = " ".join(f"{_number(x)},{_number(y)}" for x, y in line.points)
    dash = f' stroke-dasharray="{_number(line.dash_mm)}"' if line.dash_mm else ""
    return (
        f'<{"polygon" if line.closed else "polyline"} points="{points}" fill="{line.fill}" stroke="{line.colour}" '
        f'stroke-width="{_number(line.width_mm)}" stroke-linejoin="round"{dash}/>'
    )


def _svg_words(words: Words) -> str:
    return (
        f'<text x="{_number(words.x)}" y="{_number(words.y + LETTER_BASE * words.size_mm)}" fill="{words.colour}" '
        f'font-family="{FONT}" font-size="{_number(words.size_mm)}" text-anchor="{words.anchor}">'
        f"{escape(words.text, quote=False)}</text>"
    )


def _paint_line(pen: ImageDraw.ImageDraw, line: Line, scale: float) -> None:
    points = [(x * scale, y * scale) for x, y in line.points]
    if line.closed and line.fill != "none":
        pen.polygon(points, fill=line.fill)
    if line.colour == "none":
        return
    if line.closed:
        points.append(points[0])
    width = max(1, round(line.width_mm * scale))
    for stretch in _dashes(points, line.dash_mm * scale) if line.dash_mm else (points,):
        pen.line(stretch, fill=line.colour, width=width, joint="curve")


def _dashes(points: list[Place], dash: float) -> Iterable[list[Place]]:
    """Dashes along a line, each starting anew at a corner."""
    for (x, y), (to_x, to_y) in pairwise(points):
        length = ((to_x - x) ** 2 + (to_y - y) ** 2) ** 0.5
        for number in range(int(length / (2 * dash)) + 1):
            parts = [min(1.0, dash * step / length) if length else 0.0 for step in (2 * number, 2 * number + 1)]
            yield [(x + part * (to_x - x), y + part * (to_y - y)) for part in parts]


def _paint_words(pen: ImageDraw.ImageDraw, words: Words, scale: float) -> None:
    font = ImageFont.load_default(words.size_mm * scale)
    anchor = {"start": "lm", "middle": "mm", "end": "rm"}[words.anchor]
    pen.text((words.x * scale, words.y * scale), words.text, words.colour, font, anchor=anchor)
