"""What is taken along: report, copy for the customer, template at true size, reading."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import partial

from starlette.responses import HTMLResponse, Response

from keyid.identify import Examination
from keyid.page.desks import Key
from keyid.page.shown import record
from keyid.reports.drawing import svg
from keyid.reports.report import bitting_profile, make_report
from keyid.reports.report_html import report_html
from keyid.reports.report_pdf import report_pdf
from keyid.reports.template import draw_template

POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)


def _page(examination: Examination, key: Key, *, hide_bitting: bool = False) -> Response:
    page = report_html(make_report(examination, record(key, hide_bitting=hide_bitting)))
    return HTMLResponse(page, headers={"Content-Security-Policy": POLICY})


def _pdf(examination: Examination, key: Key) -> Response:
    return _file(report_pdf(make_report(examination, record(key))), "application/pdf", "key.pdf")


def _template(examination: Examination, key: Key) -> Response:
    drawing = svg(draw_template(examination, bitting_profile(examination.reading)))
    return _file(drawing.encode(), "image/svg+xml", "key-template.svg")


def _reading(examination: Examination, key: Key) -> Response:
    data = json.dumps(examination.reading.to_json(), allow_nan=False, indent=1).encode()
    return _file(data, "application/json", "key.json")


def _file(data: bytes, kind: str, name: str) -> Response:
    """A file to be saved; its name tells nothing of the key."""
    return Response(data, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})


PAPERS: dict[str, Callable[[Examination, Key], Response]] = {
    "report": _page,
    "customer": partial(_page, hide_bitting=True),
    "report.pdf": _pdf,
    "template.svg": _template,
    "reading.json": _reading,
}
