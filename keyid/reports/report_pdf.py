"""The report as a PDF for filing: two pages, and the template at true size on a third."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace

from keyid.reports.drawing import Drawing, Line
from keyid.reports.drawing_pdf import FAMILY, draw_line, draw_on, latin
from keyid.reports.photo_layers import LayeredPhoto
from keyid.reports.report import CutRow, Report

MARGIN_MM = 12.0
BODY_PT, SMALL_PT, HEAD_PT, TITLE_PT = 9.0, 7.5, 10.0, 15.0
LINE_MM = 4.3
BOX_MM = 13.0  # of one code of the bitting
HEADED_MM = 22.0  # a heading and the first lines under it stay together
DRAWING_MOST_MM = 78.0  # height of the blade's drawing
CLOSEUP_PART = 0.62  # of the page's width
LINE_WIDTH_MM = 0.25


def report_pdf(report: Report) -> bytes:
    """Return the report as a PDF on A4."""
    pdf = FPDF(format="A4")
    pdf.set_margin(MARGIN_MM)
    pdf.set_auto_page_break(True, MARGIN_MM)
    pdf.set_title("Key reading")
    pdf.set_lang("en")
    pdf.add_page()
    _what_to_do(pdf, report)
    _cuts(pdf, report)
    if report.advice:
        _paragraphs(pdf, "What limits the photo", [report.advice])
    _checks(pdf, report)
    _paragraphs(pdf, "How the key must sit", report.seat)
    if not report.hidden and pdf.page_no() == 1:
        pdf.add_page()
    _blanks(pdf, report)
    _photo(pdf, report)
    _paragraphs(pdf, "The blade", [f"{name}: {value}" for name, value in report.sizes])
    _file(pdf, report)
    if report.template is not None:
        pdf.add_page()
        draw_on(pdf, report.template, MARGIN_MM, MARGIN_MM)
    return bytes(pdf.output())


def _write(pdf: FPDF, text: str, size_pt: float = BODY_PT, bold: bool = False, gap_mm: float = 0.8) -> None:
    """Write a paragraph."""
    pdf.set_font(FAMILY, "B" if bold else "", size_pt)
    pdf.multi_cell(0, size_pt * 0.46, latin(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
    pdf.ln(gap_mm)


def _heading(pdf: FPDF, text: str, with_mm: float = HEADED_MM) -> None:
    """Write a heading; on a new page where what follows would not fit below it."""
    if pdf.will_page_break(with_mm):
        pdf.add_page()
    pdf.ln(1.5)
    _write(pdf, text, HEAD_PT, bold=True)


def _paragraphs(pdf: FPDF, heading: str, texts: Sequence[str]) -> None:
    _heading(pdf, heading)
    for text in texts:
        _write(pdf, text)


def _what_to_do(pdf: FPDF, report: Report) -> None:
    """Verdict, bitting, what to do now, and the cautions; first of all that a poor photo is to be taken again."""
    if report.retake:
        _write(pdf, report.retake, bold=True)
    _write(pdf, report.verdict, TITLE_PT, bold=True, gap_mm=2.0)
    if report.code and report.order:
        _code_boxes(pdf, report)
        _write(pdf, f"Whole bitting: {report.sure}. Read {report.order}. {report.also}".rstrip(), SMALL_PT)
    if report.do_now:
        _paragraphs(pdf, "Do now", [report.do_now])
    _paragraphs(pdf, "Before metal is cut", [" ".join(report.cautions)])


def _code_boxes(pdf: FPDF, report: Report) -> None:
    """The bitting as a row of boxes: full lines where a code is sure, dashed where likely, dotted where unsure."""
    top = pdf.get_y()
    for number, cut in enumerate(report.code):
        left = MARGIN_MM + number * (BOX_MM + 1.5)
        dash = {"sure": 0.0, "likely": 1.5, "unsure": 0.5}[cut.level]
        pdf.set_line_width(0.5)
        pdf.set_dash_pattern(dash=dash, gap=dash)
        pdf.rect(left, top, BOX_MM, BOX_MM)
        pdf.set_xy(left, top + 1.0)
        pdf.set_font(FAMILY, "B", 18)
        pdf.cell(BOX_MM, 7.5, latin(cut.code), align="C")
        pdf.set_xy(left, top + 8.5)
        pdf.set_font(FAMILY, "", 6.5)
        pdf.cell(BOX_MM, 3.5, latin(cut.sure), align="C")
    pdf.set_dash_pattern()
    pdf.set_xy(MARGIN_MM, top + BOX_MM + 1.5)


def _table(pdf: FPDF, head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[int]) -> None:
    """A table with a line under each row; the first row is repeated on a new page."""
    pdf.set_font(FAMILY, "", BODY_PT - 0.5)
    pdf.set_line_width(0.1)
    with pdf.table(
        col_widths=tuple(widths),
        borders_layout="HORIZONTAL_LINES",
        line_height=LINE_MM,
        headings_style=FontFace(emphasis="BOLD"),
        text_align="LEFT",
        padding=0.2,
    ) as table:
        for row in (head, *rows):
            cells = table.row()
            for cell in row:
                cells.cell(latin(cell))


def _cuts(pdf: FPDF, report: Report) -> None:
    """The blade's drawing and the table of its cuts."""
    if report.blade is not None:
        _heading(pdf, "The cuts" if report.code else "The blade", HEADED_MM + DRAWING_MOST_MM)
        _scaled(pdf, report.blade)
    if not report.code:
        return
    if report.order:
        note = f"Root: metal left, from the opposite uncut edge. Cut a new key to the code's root, {report.cut_limit}."
        head = ("Cut", "Code", "Sure", "From the stop", "Root measured, 95 % limits", "Cut to", "Other codes")
        widths = (8, 9, 17, 38, 48, 38, 28)
    else:
        note = "Found without a known blade. Root: metal left, from the opposite uncut edge."
        head = ("Cut", "Edge" if report.code[0].code else "", "", "From the stop", "Root measured, 95 % limits", "", "")
        widths = (10, 12, 5, 55, 70, 17, 17)
    _write(pdf, note, SMALL_PT)
    _table(pdf, head, [_cut_cells(cut) for cut in report.code], widths)


def _cut_cells(cut: CutRow) -> tuple[str, ...]:
    position = f"{cut.position_mm} mm = {cut.position_thou} thou"
    root = f"{cut.root_mm} mm = {cut.root_thou} thou"
    cut_to = f"{cut.cut_to_mm} mm = {cut.cut_to_thou} thou" if cut.cut_to_mm else ""
    return str(cut.number), cut.code, cut.sure, position, root, cut_to, cut.others


def _scaled(pdf: FPDF, drawing: Drawing) -> None:
    """Draw as large as the page's width and the room for it allow."""
    scale = min(pdf.epw / drawing.width_mm, DRAWING_MOST_MM / drawing.height_mm)
    draw_on(pdf, drawing, MARGIN_MM, pdf.get_y(), scale)
    pdf.set_xy(MARGIN_MM, pdf.get_y() + drawing.height_mm * scale + 1.0)


def _checks(pdf: FPDF, report: Report) -> None:
    if not report.checks:
        return
    _heading(pdf, "Check by hand")
    _write(pdf, "Outside the limits the reading is wrong: do not cut from it.", SMALL_PT)
    rows = [(check.what, f"{check.limits} mm = {check.thou} thou", "") for check in report.checks]
    _table(pdf, ("Measure", "Right within", "Caliper shows"), rows, (86, 64, 36))


def _blanks(pdf: FPDF, report: Report) -> None:
    _heading(pdf, "Blanks")
    if report.test_blanks:
        _write(pdf, f"Try the cuts first on a plain metal blank: {report.test_blanks}.")
    if report.blanks:
        rows = [
            (b.blade, b.probability, b.id, b.head, b.electronics, b.speaks_for, b.speaks_against) for b in report.blanks
        ]
        head = ("Blade", "Sure", "Blank", "Head", "Electronics", "Photo: for", "Photo: against")
        _table(pdf, head, rows, (26, 16, 28, 20, 28, 32, 36))
    pdf.ln(1.0)
    _write(pdf, f"{report.left_out} Head colours are no standard. {report.electronics}".strip())


def _photo(pdf: FPDF, report: Report) -> None:
    """The blade from near, and key and reference beside it."""
    if report.closeup is None or report.overview is None:
        return
    near = pdf.epw * CLOSEUP_PART
    far = pdf.epw - near - 3.0
    placed = ((report.closeup, MARGIN_MM, near), (report.overview, MARGIN_MM + near + 3.0, far))
    height = max(photo.height_px * width / photo.width_px for photo, _, width in placed)
    _heading(pdf, "What was seen", HEADED_MM + height)
    top = pdf.get_y()
    for photo, left, width in placed:
        _layered(pdf, photo, left, top, width)
    pdf.set_xy(MARGIN_MM, top + height + 1.0)


def _layered(pdf: FPDF, photo: LayeredPhoto, left: float, top: float, width: float) -> None:
    """Place a photo with its lines."""
    scale = width / photo.width_px
    pdf.image(io.BytesIO(base64.b64decode(photo.jpeg)), left, top, width)
    for layer in photo.layers:
        for line in layer.lines:
            dash = 7.0 if layer.dashed else 0.0
            draw_line(pdf, Line(line, layer.colour, LINE_WIDTH_MM / scale, dash), left, top, scale)
        pdf.set_font(FAMILY, "B", 7)
        pdf.set_text_color(layer.colour)
        for label in layer.labels:
            half = pdf.get_string_width(latin(label.text)) / 2
            pdf.text(left + label.x * scale - half, top + label.y * scale + 1.0, latin(label.text))
    pdf.set_text_color(0)


def _file(pdf: FPDF, report: Report) -> None:
    rows = [("asked by", report.asked_by or "not recorded"), ("authority seen", report.authority or "not recorded")]
    _paragraphs(pdf, "For the file", [f"{name}: {value}" for name, value in (*rows, *report.facts)])
    if report.hidden:
        _write(pdf, "Customer's copy: the bitting, the photo and the drawings are left out.")
