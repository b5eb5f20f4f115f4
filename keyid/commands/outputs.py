"""The files that ``keyid read`` writes when asked: picture, report, template."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from keyid.commands.parts import FILE_TO_WRITE

if TYPE_CHECKING:
    from keyid.identify import Examination

Command = TypeVar("Command", bound=Callable[..., object])

ENDINGS = {"picture": (".png",), "report": (".html", ".pdf"), "template": (".svg",)}


@dataclass(frozen=True)
class Outputs:
    """What was asked to be written; None for what was not."""

    picture: Path | None
    report: Path | None
    template: Path | None
    asked_by: str | None
    authority: str | None
    hide_bitting: bool

    def check(self, photo: Path) -> None:
        """Refuse what would spoil the photo or can't be written, before anything is measured."""
        for name, endings in ENDINGS.items():
            path: Path | None = getattr(self, name)
            if path is not None:
                _check_path(name, path, endings, photo)
        if self.report is None and (self.asked_by or self.authority or self.hide_bitting):
            raise click.UsageError("--asked-by, --authority and --hide-bitting belong to a --report.")

    def write(self, examination: Examination) -> None:
        """Write what was asked."""
        from keyid.private_file import write_private

        for name in ENDINGS:
            path: Path | None = getattr(self, name)
            if path is None:
                continue
            data = self._made(name, examination)
            try:
                write_private(path, data)
            except OSError as error:
                raise click.ClickException(f"The {name} could not be written: {error.strerror}.") from error

    def _made(self, name: str, examination: Examination) -> bytes:
        if name == "picture":
            from keyid.reports.picture import draw, png

            return png(draw(examination))
        if name == "template":
            from keyid.reports.drawing import svg
            from keyid.reports.report import bitting_profile
            from keyid.reports.template import draw_template

            return svg(draw_template(examination, bitting_profile(examination.reading))).encode()
        return self._report(examination)

    def _report(self, examination: Examination) -> bytes:
        from keyid.reports.report import Record, make_report

        made = datetime.datetime.now().astimezone()
        report = make_report(examination, Record(made, self.asked_by, self.authority, self.hide_bitting))
        if self.report is not None and self.report.suffix.lower() == ".pdf":
            from keyid.reports.report_pdf import report_pdf

            return report_pdf(report)
        from keyid.reports.report_html import report_html

        return report_html(report).encode()


def writing(command: Command) -> Command:
    """Give a command the options of what it writes."""
    options = (
        click.option("--picture", type=FILE_TO_WRITE, help="Draw what was measured on the photo, into this PNG file."),
        click.option("--report", type=FILE_TO_WRITE, help="Write a report, into this HTML or PDF file."),
        click.option("--asked-by", help="Who asked for the key, for the report."),
        click.option("--authority", help="What authority was seen, for the report."),
        click.option("--hide-bitting", is_flag=True, help="Make the report a copy for the customer, without bitting."),
        click.option("--template", type=FILE_TO_WRITE, help="Draw key and card at true size, into this SVG file."),
    )
    for option in reversed(options):
        command = option(command)
    return command


def _check_path(name: str, path: Path, endings: tuple[str, ...], photo: Path) -> None:
    hint = f"--{name}"
    if path.suffix.lower() not in endings:
        kinds = " or ".join(ending[1:].upper() for ending in endings)
        shown = " or ".join(endings)
        raise click.BadParameter(f"the {name} is a {kinds} file: let its name end in {shown}.", param_hint=hint)
    if not path.absolute().parent.is_dir():
        raise click.BadParameter(f"there is no folder '{path.parent}'.", param_hint=hint)
    if path.exists() and path.samefile(photo):
        raise click.BadParameter(f"the {name} would overwrite the photo.", param_hint=hint)
