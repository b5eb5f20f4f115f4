"""The page in a real browser: Chromium, driven by Playwright, with fingers on a phone and with a mouse on a desk.

Needs Chromium; axe-core (Deque Systems) looks on where the environment variable AXE_CORE names its script.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Iterator
from math import cos, sin
from pathlib import Path

import cv2
import numpy as np
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from keyid.page.app import Entrance
from keyid.page.app import Page as Served
from keyid.profiles.library import load_library
from tests.conftest import PROFILES, SAMPLES, truth
from tests.end_to_end.test_refusals import LEVEL_SAMPLE, without_card
from tests.unit.page_client import served

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
AXE = os.environ.get("AXE_CORE")
QUIET = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-component-update"),
    *("--disable-background-networking", "--disable-sync"),
)
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
DESK = {"viewport": {"width": 1440, "height": 900}, "color_scheme": "dark"}
READING_MS = 60_000  # a reading takes seconds; the machine may be busy

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs Chromium")


@pytest.fixture(scope="module")
def running() -> Iterator[tuple[Served, str]]:
    with served(load_library(PROFILES), Entrance("token", {"phone"})) as page_and_host:
        yield page_and_host


@pytest.fixture(scope="module")
def address(running: tuple[Served, str]) -> str:
    return f"http://{running[1]}/enter/token"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=[*QUIET])
        yield started
        started.close()


class Visitor:
    """A person's browser; whatever the page's script complains of is kept."""

    def __init__(self, browser: Browser, address: str, **device: object) -> None:
        self.context: BrowserContext = browser.new_context(**device)  # type: ignore[arg-type]
        self.context.set_default_timeout(20_000)
        self.page: Page = self.context.new_page()
        self.screen = self.context.new_cdp_session(self.page)
        self.complaints: list[str] = []
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", lambda told: self.complaints.append(told.text) if told.type == "error" else None)
        self.page.goto(address)

    def give(self, photo: Path) -> None:
        """Choose a photo and wait until its key is read or refused."""
        self.page.set_input_files("#files", photo)
        self.page.wait_for_url("**/key/*")
        self.page.wait_for_selector('#key[data-phase="read"], #key[data-phase="refused"]', timeout=READING_MS)

    def accessible(self) -> None:
        """Let axe-core look at the page as it is now."""
        if AXE is not None:
            self.page.evaluate(Path(AXE).read_text(encoding="utf-8"))
            found = self.page.evaluate("axe.run().then(f => f.violations.map(v => [v.id, v.nodes[0].html]))")
            assert found == []


@pytest.fixture
def phone(browser: Browser, address: str) -> Iterator[Visitor]:
    visitor = Visitor(browser, address, **PHONE)
    yield visitor
    visitor.context.close()


@pytest.fixture
def desk(browser: Browser, address: str) -> Iterator[Visitor]:
    visitor = Visitor(browser, address, **DESK)
    yield visitor
    visitor.context.close()


def place(visitor: Visitor, cut: int) -> tuple[float, float]:
    """Where on the screen a cut's mark is."""
    return middle(visitor, '#overlay polyline[data-kind="root"]', cut - 1)


def middle(visitor: Visitor, selector: str, which: int) -> tuple[float, float]:
    """The middle of a mark's upper end; in one step, since marks are made anew whenever they are drawn."""
    box = f"[...document.querySelectorAll('{selector}')].at({which}).getBoundingClientRect()"
    x, y, width, height = visitor.page.evaluate(f"(box => [box.x, box.y, box.width, box.height])({box})")
    return x + width / 2, y + min(3, height / 2)


def test_from_photo_to_printed_sheet_with_fingers(phone: Visitor, tmp_path: Path) -> None:
    page = phone.page
    phone.accessible()
    expect(page.get_by_text("Take a photo")).to_be_visible()
    page.set_input_files("#files", SAMPLES / "flash-without-exif.jpg")
    page.wait_for_url("**/key/*")
    page.wait_for_selector("#overlay polyline")  # the reference, while the key is still looked for
    expect(page.locator(".steps")).to_contain_text("Scale found: bank card")
    phone.accessible()
    page.wait_for_selector('#key[data-phase="read"]', timeout=READING_MS)
    phone.accessible()
    codes = page.locator(".code b").all_inner_texts()
    assert codes == [cut["code"] for cut in truth("flash-without-exif")["cuts"]]
    assert page.locator("main").inner_text().count("confirm with a caliper before metal is cut") == 1

    fitted, before_pinch = str(page.locator("#view").get_attribute("data-view")), zoom(phone)
    fingers(phone, [[(150, 200), (250, 200)], [(140, 200), (260, 200)], [(100, 200), (300, 200)]])
    assert grows_to(phone, 1.5 * before_pinch)
    page.locator("#blade").tap()
    expect(page.locator("#view")).to_have_attribute("data-view", fitted)

    page.touchscreen.tap(*place(phone, 3))  # a finger on a root shows its cut in words, and the other way round
    expect(page.locator('[data-cut="3"]')).to_have_attribute("aria-pressed", "true")
    page.locator('[data-cut="5"]').tap()
    expect(page.locator('[data-detail="5"]')).to_contain_text("18.5")

    typed, detail = page.locator("#typed"), page.locator('[data-detail="5"]')
    before = detail.inner_text()
    page.locator("#field").select_option("root-5")
    typed.fill("7,70")  # is weighed as it is typed
    expect(detail).not_to_have_text(before)
    page.get_by_role("button", name="Keep").tap()
    expect(page.locator("#values")).to_contain_text("metal left at cut 5: 7.70 mm")
    page.locator("#field").select_option("width")
    page.get_by_label("thou").check()
    typed.fill("250")  # what is being typed doesn't stay
    expect(page.locator("#values .against")).to_contain_text("6.35 mm by hand")
    typed.fill("")
    expect(page.locator("#values .against")).to_have_count(0)

    page.locator("#asked_by").fill("harbour office")
    page.locator("#authority").fill("letter of the harbour master")
    with page.context.expect_page() as opened:
        page.get_by_role("link", name="Report, to read and print").tap()
    report = opened.value
    report.wait_for_load_state()
    for told in ("harbour office", "letter of the harbour master", "Check by hand"):
        expect(report.locator("body")).to_contain_text(told)
    sheet = tmp_path / "sheet.pdf"
    report.pdf(path=sheet)
    assert sheet.read_bytes().startswith(b"%PDF")
    report.close()
    with page.expect_download() as saved:
        page.get_by_role("link", name="Reading (JSON)").tap()
    reading = json.loads(Path(saved.value.path()).read_text())
    assert reading["bitting"]["code"] == "-".join(codes)
    papers = {name: page.request.get(f"{page.url}/{name}") for name in ("customer", "report.pdf", "template.svg")}
    assert "The bitting is left out of this copy." in papers["customer"].text()
    assert 'class="code"' not in papers["customer"].text()
    assert papers["report.pdf"].body().startswith(b"%PDF")
    assert papers["template.svg"].text().lstrip().startswith("<svg")
    assert phone.complaints == []

    key = page.url
    page.go_back()
    expect(page.locator(".keys li")).to_have_count(1)
    page.go_forward()
    page.get_by_role("button", name="Forget this key").tap()
    page.wait_for_selector("#give")
    expect(page.locator(".keys")).to_have_count(0)
    page.goto(key)
    expect(page.locator("h1")).to_contain_text("was forgotten")


def on_screen(visitor: Visitor, photo_px: list[float]) -> tuple[float, float]:
    """Where on the screen a pixel of the photo is."""
    view = visitor.page.locator("#view")
    angle, zoom, x, y = (float(one) for one in str(view.get_attribute("data-view")).split())
    box = view.bounding_box()
    assert box is not None
    dx, dy = zoom * (photo_px[0] - x), zoom * (photo_px[1] - y)
    turned = dx * cos(angle) - dy * sin(angle), dx * sin(angle) + dy * cos(angle)
    return box["x"] + box["width"] / 2 + turned[0], box["y"] + box["height"] / 2 + turned[1]


def fingers(visitor: Visitor, places: list[list[tuple[float, float]]], *, lift: bool = True) -> None:
    """Lay fingers on the screen at the first places and move them to the others."""
    for n, at in enumerate(places):
        points = [{"x": x, "y": y, "id": finger} for finger, (x, y) in enumerate(at)]
        visitor.screen.send(
            "Input.dispatchTouchEvent", {"type": "touchMove" if n else "touchStart", "touchPoints": points}
        )
    if lift:
        visitor.screen.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def zoom(visitor: Visitor) -> float:
    """Screen pixels a photo pixel."""
    return float(str(visitor.page.locator("#view").get_attribute("data-view")).split()[1])


def grows_to(visitor: Visitor, least: float) -> bool:
    """Wait until the photo is shown that large."""
    for _ in range(100):
        if zoom(visitor) > least:
            return True
        visitor.page.wait_for_timeout(50)
    return False


def test_a_finger_tells_which_of_two_keys_is_meant(phone: Visitor) -> None:
    page, true = phone.page, truth("two-keys")
    phone.give(SAMPLES / "two-keys.jpg")
    expect(page.locator("#answer h1")).to_have_text("There is more than one key in this photo.")
    phone.accessible()
    page.get_by_role("button", name="Point at it in this photo").tap()
    page.touchscreen.tap(*on_screen(phone, true["detail"]["key"]["points"]["tip"]["px_upper_face"]))
    page.wait_for_selector(".by-hand", timeout=READING_MS)
    expect(page.locator(".by-hand")).to_contain_text("the key (its place was measured)")
    read = page.locator(".code b").all_inner_texts()
    right = [code == cut["code"] for code, cut in zip(read, true["cuts"], strict=True)]
    assert right.count(False) <= 1  # one root of this key is told as unsure
    phone.accessible()

    page.locator('#point [data-point="tip"]').tap()  # dragged by a finger, the magnifier beside it
    page.wait_for_selector("#overlay circle")
    x, y = middle(phone, "#overlay circle", -1)
    y += 12  # of the ring's upper end
    fingers(phone, [[(x + 2, y)], [(x + 8, y + 3)], [(x + 14, y + 3)]], lift=False)
    expect(page.locator(".glass")).to_be_visible()
    fingers(phone, [])
    expect(page.locator(".glass")).to_be_hidden()
    expect(page.locator(".by-hand")).to_contain_text("the tip (±", timeout=READING_MS)
    assert phone.complaints == []


def covered(name: str, folder: Path, from_mm: float = -2.5, to_mm: float = 2.0) -> Path:
    """The sample with a strip of tape over its shoulder, from 2.5 mm before it to 2 mm past it.

    keyid still tells where the shoulder is, to 0.3 mm; under a tape that begins 5 mm before it, it does not.
    """
    true = truth(name)
    points = true["detail"]["key"]["points"]
    stop, tip = (np.array(points[end]["px_upper_face"]) for end in ("shoulder_edge_A", "tip"))
    mm = (tip - stop) / true["length_mm"]
    across = 11 * np.array([-mm[1], mm[0]])
    pixels = cv2.imread(str(SAMPLES / f"{name}.jpg"))
    tape = np.array(
        [stop + along * mm + side * across for along, side in ((from_mm, -1), (to_mm, -1), (to_mm, 1), (from_mm, 1))]
    )
    cv2.fillPoly(pixels, [np.rint(tape).astype(np.int32)], (60, 70, 80))
    file = folder / "covered.jpg"
    cv2.imwrite(str(file), pixels)
    return file


def test_pointing_repairs_a_photo_whose_stop_is_covered(desk: Visitor, tmp_path: Path) -> None:
    page, true = desk.page, truth("flash-without-exif")
    right = np.array(true["detail"]["key"]["points"]["shoulder_edge_A"]["px_upper_face"])
    desk.give(covered("flash-without-exif", tmp_path))
    as_found = page.locator("#answer h1").inner_text()
    page.locator('#point [data-point="stop"]').focus()
    page.keyboard.press("Enter")
    page.mouse.click(*on_screen(desk, list(right - [20, 0])))
    page.wait_for_selector(".by-hand", timeout=READING_MS)
    page.keyboard.press("w")  # the whole photo, not turned: arrow keys are along its rows
    page.wait_for_selector('#key[data-phase="read"]', timeout=READING_MS)
    here = page.evaluate("fetch(location.href + '/now?seen=-1').then(answer => answer.json())")["handles"]["stop"]
    away = np.rint(right - here).astype(int)
    keys = [("ArrowLeft", "ArrowRight"), ("ArrowUp", "ArrowDown")]
    with page.expect_response("**/pointed"):  # once the keys rest
        for pair, steps in zip(keys, away, strict=True):
            for _ in range(abs(steps)):
                page.keyboard.press(pair[int(steps > 0)])
    expect(page.locator(".code b")).to_have_text([cut["code"] for cut in true["cuts"]], timeout=READING_MS)
    page.wait_for_selector('#key[data-phase="read"]', timeout=READING_MS)
    state = page.evaluate("fetch(location.href + '/now?seen=-1').then(answer => answer.json())")
    assert state["handles"]["stop"] == pytest.approx(right, abs=1.0)  # a pixel of the screen is 3.5 of the photo
    expect(page.locator(".by-hand")).to_contain_text("the stop (±")
    desk.accessible()
    page.get_by_role("button", name="As found").click()
    expect(page.locator(".by-hand")).to_have_count(0, timeout=READING_MS)
    expect(page.locator("#answer h1")).to_have_text(as_found)
    page.get_by_role("button", name="Undo").click()
    page.wait_for_selector(".by-hand", timeout=READING_MS)
    assert desk.complaints == []


def lay_a_twin(served_page: Served, url: str) -> None:
    """Lay a key with the same reading beside one: reading it again would take its time."""
    desk_id, _, key_id = url.split("/")[-3:]
    desk = next(desk for desk in served_page.desks.all() if desk.id == desk_id)
    twin, key = served_page.desks.add_key(desk, "twin.jpg"), desk.keys[key_id]
    twin.photos, twin.examination, twin.measuring = key.photos, key.examination, False


def test_from_photo_to_comparison_with_keys_and_mouse(desk: Visitor, running: tuple[Served, str]) -> None:
    page = desk.page
    desk.give(SAMPLES / "tip-stop.jpg")
    desk.accessible()
    before = page.locator("#overlay polyline").first.get_attribute("points")
    page.locator("#view").focus()
    for key in ("+", "+", "ArrowRight", "ArrowDown"):
        page.keyboard.press(key)
    expect(page.locator("#overlay polyline").first).not_to_have_attribute("points", str(before))
    page.keyboard.press("b")
    expect(page.locator("#overlay polyline").first).to_have_attribute("points", str(before))
    page.mouse.move(300, 400)
    page.mouse.wheel(0, -300)
    expect(page.locator("#overlay polyline").first).not_to_have_attribute("points", str(before))
    page.locator('[data-cut="2"]').focus()
    page.keyboard.press("Enter")
    expect(page.locator('[data-detail="2"]')).to_be_visible()
    lay_a_twin(running[0], page.url)
    page.reload()
    page.get_by_role("link", name="twin.jpg is the old one").click()
    expect(page.locator("h1")).to_contain_text(re.compile(r"The new key has the old one's bitting \((over )?9\d\s%"))
    expect(page.locator("tbody tr").first).to_contain_text("+0.00")
    for n in (0, 1):
        expect(page.locator(".pair img").nth(n)).to_have_js_property("naturalWidth", 1600)
    desk.accessible()
    assert desk.complaints == []


def test_what_is_known_of_the_key_is_weighed(phone: Visitor, tmp_path: Path) -> None:
    """Known cuts, a code list from a file, a blank to check, keys left; and plain errors."""
    page, true = phone.page, truth("flash-without-exif")
    code = "-".join(cut["code"] for cut in true["cuts"])
    phone.give(SAMPLES / "flash-without-exif.jpg")
    blank, use = page.locator("#blank"), page.get_by_role("button", name="Use it")
    blank.fill("no such blank")
    use.tap()
    expect(page.locator("#said")).to_contain_text("There is no blank “no such blank”")
    blank.fill(true["profile"])
    page.locator("#working_keys").fill("1")
    page.get_by_text("Code list that the key is in").tap()
    codes = tmp_path / "codes.txt"
    codes.write_text("1-1-1-1-1\n" * 400_000)
    page.set_input_files("#codes-file", codes)
    expect(page.locator("#said")).to_contain_text("codes.txt is larger than 3 MB")
    page.set_input_files("#codes-file", SAMPLES / "flash-without-exif.jpg")
    expect(page.locator("#said")).to_contain_text("flash-without-exif.jpg is no text")
    codes.write_text(f"{code} A77\nsome words of no list\n")
    page.set_input_files("#codes-file", codes)
    expect(page.locator("#codes")).not_to_have_value("")
    use.tap()
    expect(page.locator("#said")).to_contain_text("The code list, line 2: 'some words of no list' is not a bitting")
    codes.write_text(f"{code} A77\n1-1-1-1-1 A78\n")
    page.set_input_files("#codes-file", codes)
    expect(page.locator("#codes")).to_have_value(codes.read_text())
    use.tap()
    expect(page.locator("#cuts")).to_contain_text("A code list of 2 bittings is in use.", timeout=READING_MS)
    page.wait_for_selector('#key[data-phase="read"]', timeout=READING_MS)
    expect(page.locator(".direction")).to_contain_text("In the code list: A77.")
    expect(page.locator("#answer")).to_contain_text(f"The photo speaks for {true['profile']}")
    expect(page.locator("#more")).to_contain_text("1 working key left")
    assert page.locator("#said").inner_text() == ""
    phone.accessible()

    page.get_by_role("button", name="Take it out").tap()
    expect(page.locator("#cuts")).not_to_contain_text("code list", timeout=READING_MS)
    wrong = next(one for one in page.locator("#cuts option").all_inner_texts() if one not in ("?", code[0]))
    page.locator('#cuts [name="1"]').select_option(wrong)
    use.tap()
    expect(page.locator("#answer .by-hand").last).to_contain_text(f"You told cut 1 as {wrong}", timeout=READING_MS)
    page.reload()
    expect(page.locator('#cuts [name="1"]')).to_have_value(wrong)
    assert [one for one in phone.complaints if "400" not in one] == []  # Chromium tells each refused request


def test_without_anything_of_known_size_proportions_count(desk: Visitor, tmp_path: Path) -> None:
    page = desk.page
    bare = tmp_path / "bare.jpg"
    without_card().save(bare, quality=92)
    desk.give(bare)
    expect(page.locator("#answer h1")).to_contain_text("No bank card")
    page.get_by_label("Nothing of known size lies in the photo").check()
    page.get_by_role("button", name="Use it").click()
    page.wait_for_selector('#key[data-phase="read"]', timeout=READING_MS)
    assert page.locator(".code b").all_inner_texts() == [cut["code"] for cut in truth(LEVEL_SAMPLE)["cuts"]]
    expect(page.locator("#answer")).to_contain_text("a photo with a card would decide")
    desk.accessible()
    assert desk.complaints == []


def test_pointing_repairs_one_of_several_photos(desk: Visitor, tmp_path: Path) -> None:
    page, true = desk.page, truth("flash-without-exif")
    right = true["detail"]["key"]["points"]["shoulder_edge_A"]["px_upper_face"]
    desk.give(SAMPLES / "flash-without-exif.jpg")
    page.get_by_role("link", name="All keys").click()
    page.wait_for_load_state("load")
    desk.give(covered("flash-without-exif", tmp_path, -5.0, 2.5))
    page.get_by_role("link", name="All keys").click()
    page.wait_for_load_state("load")
    for name in ("flash-without-exif.jpg", "covered.jpg"):
        page.get_by_label(name, exact=True).check()
    page.get_by_role("button", name="Read them together").click()
    page.wait_for_url("**/key/*")
    page.wait_for_selector('#key[data-phase="read"], #key[data-phase="refused"]', timeout=READING_MS)
    expect(page.locator("#answer")).to_contain_text("The photos disagree on the stop")
    desk.accessible()
    page.get_by_role("button", name="2: covered.jpg").click()
    expect(page.get_by_role("button", name="2: covered.jpg")).to_have_attribute("aria-pressed", "true")
    page.locator("#view").focus()
    page.keyboard.press("b")
    page.locator('#point [data-point="stop"]').click()
    page.mouse.click(*on_screen(desk, right))
    page.wait_for_selector(".by-hand", timeout=READING_MS)
    page.wait_for_selector('#key[data-phase="read"]', timeout=READING_MS)
    expect(page.locator(".by-hand").first).to_contain_text("the stop in covered.jpg (±")
    assert page.locator(".code b").all_inner_texts() == [cut["code"] for cut in true["cuts"]]
    expect(page.locator("#answer")).not_to_contain_text("The photos disagree on the stop")
    expect(page.locator("#as-found")).to_be_enabled()
    page.get_by_role("button", name="1: flash-without-exif.jpg").click()
    expect(page.locator("#as-found")).to_be_disabled()  # nothing is pointed at in this one
    desk.accessible()
    assert desk.complaints == []


def test_what_is_no_photo_is_told_and_the_rest_goes_on(desk: Visitor, tmp_path: Path) -> None:
    page = desk.page
    text = tmp_path / "shopping.jpg"
    text.write_text("two keys, one lock")
    desk.give(text)
    expect(page.locator("#answer h1")).to_have_text("This file is damaged or is not a photo.")
    for useless in ("#view", "#point", "#knowing", "#tell", "#steps"):
        expect(page.locator(useless)).to_be_hidden()
    desk.accessible()
    page.get_by_role("link", name="Retake").click()
    expect(page.get_by_role("heading", name="Which key is it?")).to_be_visible()
    page.wait_for_load_state("load")  # until then nothing listens for files
    huge = tmp_path / "huge.jpg"
    with huge.open("wb") as file:
        file.truncate(2_000_000_000)
    video = tmp_path / "walk.mp4"
    video.write_bytes(b"\0\0\0\x20ftypisom" + b"\0" * 100)
    page.set_input_files("#files", [huge, video])
    expect(page.locator("#said")).to_contain_text("huge.jpg is larger than 80 MB")
    expect(page.locator("#said")).to_contain_text("walk.mp4 is a video")
    page.set_input_files("#files", [text] * 20)
    expect(page.locator("#said")).to_contain_text("at most 8 photos")
    expect(page.locator(".keys li")).to_have_count(8)
    desk.accessible()
    assert desk.complaints == []


def test_the_ways_in_are_accessible(browser: Browser, address: str) -> None:
    for way in ("closed", "phone"):
        visitor = Visitor(browser, f"{address.rsplit('/', 1)[0]}/{way}", **PHONE)
        visitor.accessible()
        visitor.context.close()


def test_two_tabs_show_the_same_keys(desk: Visitor) -> None:
    desk.give(SAMPLES / "two-keys.jpg")
    second = desk.context.new_page()
    second.goto(desk.page.url)
    expect(second.locator("#answer h1")).to_have_text("There is more than one key in this photo.")
    second.locator("#thickness").fill("2.1")
    second.get_by_role("button", name="Use it").click()
    second.get_by_role("button", name="Point at it in this photo").click()
    second.locator("#view").click(position={"x": 300, "y": 300})
    expect(desk.page.locator("#as-found")).to_be_enabled()  # what is pointed at in one tab shows in the other
    second.get_by_role("button", name="Forget this key").click()
    second.wait_for_selector("#give")
    expect(desk.page.locator("h1")).to_contain_text("was forgotten")  # with nothing of the key left on the screen


def test_a_key_that_is_gone_leaves_the_screen(desk: Visitor, running: tuple[Served, str]) -> None:
    """Forgotten on the other side, as after 30 minutes unused."""
    desk.give(SAMPLES / "two-keys.jpg")
    owner = next(one for one in running[0].desks.all() if one.id == desk.page.url.split("/")[-3])
    running[0].desks.forget(owner, owner.keys[desk.page.url.split("/")[-1]])
    desk.page.get_by_role("button", name="Read again").click()
    expect(desk.page.locator("h1")).to_contain_text("was forgotten")


def test_a_wrong_value_is_told_beside_its_field(phone: Visitor) -> None:
    """Without moving the page away from the field."""
    page = phone.page
    phone.give(SAMPLES / "tip-stop.jpg")
    page.locator("#typed").fill("abc")
    page.get_by_role("button", name="Keep").tap()
    expect(page.locator("#said")).to_contain_text("'abc' is not a length")
    expect(page.locator("#said")).to_be_in_viewport()
    expect(page.locator("#typed")).to_be_in_viewport()


def test_a_stopped_server_is_told(browser: Browser, tmp_path: Path) -> None:
    text = tmp_path / "shopping.jpg"
    text.write_text("two keys, one lock")
    with served(load_library(PROFILES), Entrance("token", set())) as (_, host):
        visitor = Visitor(browser, f"http://{host}/enter/token", **DESK)
    visitor.page.set_input_files("#files", text)
    expect(visitor.page.locator("#said")).to_contain_text("keyid doesn't answer")
    visitor.context.close()
