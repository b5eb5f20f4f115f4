"""``keyid sheet`` and ``keyid request``: what is printed or sent on before a photo is taken."""

from __future__ import annotations

from pathlib import Path

import click

from keyid.commands.parts import FILE_TO_WRITE, echo

ENDINGS = (".pdf", ".svg")
PRINTING = (
    "Print {} at 100 % (“actual size”) and measure its 100 mm bar. Where that is longer or shorter, tell it: "
    "keyid read PHOTO --bar 99.4"
)


@click.command(short_help="Write the measuring sheet, for printing.")
@click.argument("out", type=FILE_TO_WRITE)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Size of the page.")
def sheet(out: Path, paper: str) -> None:
    """Write the measuring sheet into OUT, a PDF or SVG file, for printing at 100 %.

    \b
    Example:
      keyid sheet sheet.pdf --paper letter
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    if out.suffix.lower() not in ENDINGS:
        raise click.BadParameter("the sheet is a PDF or SVG file: let its name end in .pdf or .svg.", param_hint="OUT")
    try:
        out.write_bytes(_made("letter" if paper == "letter" else "a4", out.suffix.lower()))
    except OSError as error:
        raise click.ClickException(f"The sheet could not be written: {error.strerror}.") from error
    echo(PRINTING.format(out.name), err=True)


def _made(paper: str, ending: str) -> bytes:
    """The sheet as a file's content."""
    from keyid.reports.drawing import svg
    from keyid.reports.sheet_drawing import draw_sheet

    drawing = draw_sheet("letter" if paper == "letter" else "a4")
    if ending == ".svg":
        return svg(drawing).encode()
    from fpdf import FPDF

    from keyid.reports.drawing_pdf import draw_on

    pdf = FPDF(format=(drawing.width_mm, drawing.height_mm))
    pdf.set_title(drawing.title)
    pdf.add_page()
    draw_on(pdf, drawing, 0.0, 0.0)
    return bytes(pdf.output())


@click.command(short_help="Print a message for the customer on taking the photo.")
def request() -> None:
    """Print a short message for the customer on how to take the photo, to be sent on.

    \b
    Example:
      keyid request
    """  # noqa: D301  (\b is click's mark for text that is not to be wrapped)
    from keyid.reports.request import MESSAGE

    click.echo(MESSAGE)
