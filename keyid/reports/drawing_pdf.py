"""Line drawings on a page of a PDF, at their true size or scaled."""

from __future__ import annotations

from fpdf import FPDF

from keyid.reports.drawing import LETTER_BASE, Drawing, Line, Words

POINT_MM = 25.4 / 72  # of the PostScript point in which fonts are measured
FAMILY = "Helvetica"


def latin(text: str) -> str:
    """Text in the characters that a PDF's own fonts have; others become question marks."""
    return text.encode("latin-1", "replace").decode("latin-1")


def draw_on(pdf: FPDF, drawing: Drawing, left: float, top: float, scale: float = 1.0) -> None:
    """Draw with the drawing's corner at (left, top), in mm; one mm of it becomes ``scale`` mm."""
    for shape in drawing.shapes:
        if isinstance(shape, Line):
            _line(pdf, shape, left, top, scale)
        else:
            _words(pdf, shape, left, top, scale)
    _plainly(pdf)


def draw_line(pdf: FPDF, line: Line, left: float, top: float, scale: float) -> None:
    """Draw one line or area."""
    _line(pdf, line, left, top, scale)
    _plainly(pdf)


def _plainly(pdf: FPDF) -> None:
    """Leave no colour or dash behind: tables would take them."""
    pdf.set_dash_pattern()
    pdf.set_text_color(0)
    pdf.set_draw_color(0)
    pdf.set_fill_color(255)


def _line(pdf: FPDF, line: Line, left: float, top: float, scale: float) -> None:
    points = [(left + x * scale, top + y * scale) for x, y in line.points]
    style = ("D" if line.colour != "none" else "") + ("F" if line.closed and line.fill != "none" else "")
    if not style or len(points) < 2:
        return
    if line.colour != "none":
        pdf.set_draw_color(line.colour)
        pdf.set_line_width(line.width_mm * scale)
    if "F" in style:
        pdf.set_fill_color(line.fill)
    dash = line.dash_mm * scale
    pdf.set_dash_pattern(dash=dash, gap=dash)
    pdf.polyline(points, polygon=line.closed, style=style)


def _words(pdf: FPDF, words: Words, left: float, top: float, scale: float) -> None:
    text = latin(words.text)
    pdf.set_font(FAMILY, size=words.size_mm * scale / POINT_MM)
    pdf.set_text_color(words.colour)
    before = {"start": 0.0, "middle": 0.5, "end": 1.0}[words.anchor] * pdf.get_string_width(text)
    pdf.text(left + words.x * scale - before, top + (words.y + LETTER_BASE * words.size_mm) * scale, text)
