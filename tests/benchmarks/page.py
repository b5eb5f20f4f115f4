"""How fast the page answers, in Chromium, and whether its memory returns to its level.

    python -m tests.benchmarks.page [--photos 50] [--only times|memory]

Times are from choosing a photo, and from a touch, until the browser has drawn what follows.  Memory is the server's
resident set after each photo was read and forgotten.
"""

from __future__ import annotations

import argparse
import re
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from tests.conftest import PROFILES, SAMPLES
from tests.unit.page_client import Client

NAMES = ("flash-without-exif", "tip-stop", "plastic-head", "two-edged")
QUIET = ("--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync")
TOUCHES = 5


@contextmanager
def started() -> Iterator[tuple[str, int]]:
    """Start ``keyid page``: its address and the number of its process."""
    keyid = Path(sys.executable).with_name("keyid")
    command = [str(keyid), "page", "--no-browser", "--profiles", str(PROFILES)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip(), process.pid
        finally:
            process.terminate()


def resident_mb(pid: int) -> float:
    """Resident set of a process."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(re.findall(r"VmRSS:\s+(\d+)", status)[0]) / 1024


def times(address: str) -> None:
    """Print a row a photo."""
    print("photo                 first drawn  answer  moving the stop  reading a cut out")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=[*QUIET])
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.set_default_timeout(120_000)
        for name in NAMES:
            page.goto(address)
            begun = time.perf_counter()
            page.set_input_files("#files", SAMPLES / f"{name}.jpg")
            page.wait_for_selector("#overlay polyline")
            drawn = time.perf_counter() - begun
            page.wait_for_selector('#key[data-phase="read"]')
            answer = time.perf_counter() - begun
            moved = statistics.median(moving(page) for _ in range(TOUCHES))
            cut = choosing(page)
            print(f"{name:22}{drawn:10.2f} s{answer:6.2f} s{moved:15.2f} s{cut:18.2f} s")
            page.click("#forget")
            page.wait_for_selector("#give")
        browser.close()


def moving(page: Page) -> float:
    """Seconds from moving the stop by a pixel until the result that follows is drawn."""
    script = """async () => {
      const id = document.querySelector('#key').dataset.id;
      const state = async () => (await fetch(`${id}/now?seen=-1`)).json();
      const before = await state();
      const at = [before.handles.stop[0] + 1, before.handles.stop[1]];
      const began = performance.now();
      const headers = { "Content-Type": "application/json" };
      const body = JSON.stringify({ what: "stop", at });
      await fetch(`${id}/pointed`, { method: "POST", headers, body });
      let now = before;
      do now = await (await fetch(`${id}/now?seen=${now.version}`)).json();
      while (now.phase === "measuring");
      return performance.now() - began;
    }"""
    return float(page.evaluate(script)) / 1000


def choosing(page: Page) -> float:
    """Seconds from touching a cut until it is shown."""
    begun = time.perf_counter()
    page.click("[data-cut='1']")
    page.wait_for_selector("[data-detail='1']:not([hidden])")
    return time.perf_counter() - begun


def memory(address: str, pid: int, photos: int) -> None:
    """Print the memory after every tenth photo."""
    host, path = re.findall(r"//([^/]+)(/.*)", address)[0]
    client = Client(host)
    desk = client.get(path).headers["location"]
    for n in range(photos + 1):
        data = (SAMPLES / f"{NAMES[n % len(NAMES)]}.jpg").read_bytes()
        key = f"{desk}key/{client.post(f'{desk}keys', data).json()['key']}"
        now = client.get(f"{key}/now").json()
        while now["phase"] == "measuring":
            now = client.get(f"{key}/now?seen={now['version']}").json()
        held = resident_mb(pid)
        client.get(f"{key}/photo.jpg")
        client.post(f"{key}/forget", b"{}")
        if n % 10 == 0:
            print(
                f"after {n + 1:3} photos: {resident_mb(pid):6.0f} MB, with the last one held {held:6.0f} MB", flush=True
            )


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=50)
    parser.add_argument("--only", choices=["times", "memory"])
    asked = parser.parse_args()
    with started() as (address, pid):
        if asked.only != "memory":
            times(address)
        if asked.only != "times":
            memory(address, pid, asked.photos)


if __name__ == "__main__":
    main()
