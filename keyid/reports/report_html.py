"""The report as one page: no script, no network, nothing outside the file."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from keyid.reports.drawing import Drawing, svg
from keyid.reports.report import Report
from keyid.reports.text import together


def report_html(report: Report) -> str:
    """Return the page; whatever stands in the report is shown as text, never read as markup."""
    return _template().render(report=report)


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("keyid.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["svg"] = _drawn
    environment.filters["together"] = together
    return environment.get_template("report.html")


def _drawn(drawing: Drawing) -> Markup:
    """The drawing as part of the page; `keyid.reports.drawing` has escaped its words."""
    return Markup(svg(drawing, size="fluid"))
