"""The report's page in a real browser, examined by axe-core (Deque Systems): no finding, on a desk and on a phone.

Needs Chromium, and axe-core's script named by the environment variable AXE_CORE (``npm pack axe-core`` brings it).
"""

from __future__ import annotations

import datetime
import html
import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from keyid.reports.report import Record, make_report
from keyid.reports.report_html import report_html
from tests.unit.example_examination import examination

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
AXE = os.environ.get("AXE_CORE")
QUIET = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-component-update"),
    *("--disable-background-networking", "--disable-sync", "--virtual-time-budget=20000", "--dump-dom"),
)
RUN = """axe.run().then(found => {
  const told = document.createElement("pre");
  told.id = "axe";
  told.textContent = JSON.stringify(found.violations.map(v => [v.id, v.impact, v.nodes[0].html.slice(0, 120)]));
  document.body.append(told);
})"""


def findings(page: str, folder: Path, *options: str) -> list[list[str]]:
    """What axe-core finds on a page."""
    script = Path(AXE or "").read_text(encoding="utf-8").replace("</script>", "<\\/script>")
    open_page = re.sub(r"<meta http-equiv=.Content-Security-Policy.[^>]*>", "", page)  # it lets no script run
    file = folder / "page.html"
    file.write_text(open_page.replace("</body>", f"<script>{script}</script><script>{RUN}</script></body>"), "utf-8")
    command = [str(CHROMIUM), *QUIET, f"--user-data-dir={folder / 'browser'}", *options, file.as_uri()]
    shown = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout
    told = re.search(r'<pre id="axe">(.*?)</pre>', shown, re.DOTALL)
    assert told is not None, "axe-core did not run"
    found: list[list[str]] = json.loads(html.unescape(told[1]))
    return found


@pytest.mark.skipif(CHROMIUM is None or AXE is None, reason="needs Chromium and axe-core")
@pytest.mark.parametrize(
    "options", [("--window-size=1200,900",), ("--window-size=360,800", "--blink-settings=preferredColorScheme=0")]
)
def test_the_report_is_accessible(tmp_path: Path, options: tuple[str, ...]) -> None:
    page = report_html(make_report(examination(), Record(datetime.datetime(2026, 2, 28))))
    assert findings(page, tmp_path, *options) == []
    spoilt = page.replace('lang="en"', "")  # axe-core does look
    assert [rule for rule, *_ in findings(spoilt, tmp_path, *options)] == ["html-has-lang"]
