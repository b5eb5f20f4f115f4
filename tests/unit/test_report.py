"""The report: the same words and numbers in every format, nothing read as markup, nothing told that was hidden.

The examination is made up (tests.unit.example_examination): a blade 8 mm wide and 28 mm long, 10 pixels a mm.
"""

from __future__ import annotations

import base64
import datetime
import io
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from keyid import identify
from keyid.commands.cli import main
from keyid.length import Length
from keyid.readings.cautions import CAUTIONS
from keyid.readings.reading import BittingCut, SeenCut
from keyid.readings.remark import Remark
from keyid.reports.blade_drawing import MEASURED, draw_blade
from keyid.reports.drawing import Line, Words, svg
from keyid.reports.report import Record, Report, bitting_profile, make_report
from keyid.reports.report_html import report_html
from keyid.reports.report_pdf import report_pdf
from keyid.reports.template import draw_template
from keyid.reports.text import cuts_verdict
from tests.unit.example_examination import LENGTH_MM, PX_PER_MM, STOP_PX, WIDTH_MM, examination
from tests.unit.example_reading import bitting, candidate, profile, reading

MADE = datetime.datetime(2026, 2, 28, 10, 30)
HOSTILE = "<script>alert(1)</script>\"'&"
PX = 20  # to a mm, when a page is rasterised


SLANT, DARK = Remark(0.2, "The photo is slanted.", "Hold it level."), Remark(0.05, "It is dark.", "More light.")


def words_of(made: Report, kind: str) -> str:
    """All words of a report, as they follow each other."""
    return " ".join((Page(report_html(made)).words if kind == "html" else pdf_words(report_pdf(made))).split())


def report(record: Record | None = None, **changes: object) -> Report:
    return make_report(examination(**changes), record or Record(MADE))


class Page(HTMLParser):
    """The elements of a page with their attributes, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note an element."""
        self.elements.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        """Note text."""
        self.words += data


def test_a_cut_in_both_units_with_its_limits_and_what_to_cut_to() -> None:
    """8.082 mm = 318.2 thou, u 0.021 mm: twice that is 0.042 mm = 1.7 thou; code 1 is 8.1 mm = 318.9 thou."""
    row = report().code[0]
    assert (row.code, row.sure, row.level) == ("1", "96 %", "likely")
    assert (row.position_mm, row.position_thou) == ("5.00", "197")
    assert (row.root_mm, row.root_thou) == ("8.08 ±0.04", "318 ±2")
    assert (row.cut_to_mm, row.cut_to_thou) == ("8.10", "318.9")
    assert row.others == "2 (4 %)"


@pytest.mark.parametrize(("p", "level"), [(0.98, "sure"), (0.97, "likely"), (0.85, "likely"), (0.84, "unsure")])
def test_how_sure_a_code_is_shows_in_its_frame(p: float, level: str) -> None:
    cut = BittingCut(Length(5.0, 0.03), Length(8.1, 0.02), "1", p, ())
    assert report(bitting=replace(bitting(1), cuts=(cut,))).code[0].level == level


def test_an_unreadable_cut_has_nothing_to_cut_to() -> None:
    cut = BittingCut(Length(5.0, 0.03), Length(7.6, 0.3), "?", 0.0, ())
    made = report(bitting=replace(bitting(1), code="?", cuts=(cut,)))
    assert (made.code[0].code, made.code[0].cut_to_mm) == ("?", "")
    assert "?" in Page(report_html(made)).words
    assert report_pdf(made).startswith(b"%PDF")


def test_checks_say_within_what_the_reading_is_right() -> None:
    """8.10 within 0.10 mm: 8.00 to 8.20 mm, 315 to 323 thou."""
    check = report().checks[0]
    assert (check.limits, check.thou) == ("8.00 to 8.20", "315 to 323")


def test_the_limit_of_a_new_root_is_twice_the_scatter_as_made() -> None:
    made = replace(candidate(), profile=replace(profile(), as_made_sd_mm=0.02))
    assert report(candidates=(made,)).cut_limit == "±0.04 mm = ±2 thou"
    assert report().cut_limit == "±0.05 mm = ±2 thou"  # trade: about 0.002 in (common practice, no source)


def test_blanks_stand_with_what_speaks_for_and_against_them() -> None:
    first, second = report().blanks
    assert (first.id, first.speaks_for) == ("pier-b", "the head looks like plastic")
    assert (second.id, second.speaks_against) == ("pier-a", "the head looks like plastic")
    assert report().test_blanks == "pier-a"
    assert "test the key" in report().electronics


def test_no_blank_is_named_when_no_blade_fits() -> None:
    made = report(none_of_these=0.9, bitting=None)
    assert made.blanks == ()
    assert "Do not cut from this reading" in made.verdict
    assert [row.root_mm for row in made.code] == ["8.08 ±0.04"] * 4  # the cuts found without any profile


def test_the_stop_decides_how_the_key_must_sit() -> None:
    tip = replace(reading().blade, stop="tip", axis_px=examination().reading.blade.axis_px)
    assert "shoulder touches" in report().seat[0]
    assert "by its tip" in report(blade=tip).seat[0]


def test_what_goes_on_file() -> None:
    facts = dict(report().facts)
    assert (facts["made"], facts["photo"]) == ("2026-02-28 10:30", "key.jpg")
    assert facts["photo's SHA-256"] == "0" * 64


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_a_copy_for_the_customer_tells_no_bitting(kind: str) -> None:
    made = report(Record(MADE, hide_bitting=True))
    if kind == "html":
        text = report_html(made)
        assert "<image" not in text
        words = Page(text).words
    else:
        words = pdf_words(report_pdf(made))
    assert "Blade Pier" in words
    assert "left out of this copy" in words
    for told in ("1-1-1-1", "8.08", "8.10", "318", "code 1"):
        assert told not in words
    assert all(caution in " ".join(words.split()) for caution in CAUTIONS)


ORDER = ("Blade Pier", "Do now", "Before metal is cut", "The cuts", "What limits the photo", "Check by hand", "Blanks")


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_its_order_is_that_of_the_answer_in_words(kind: str) -> None:
    words = words_of(report(remarks=(SLANT, DARK)), kind)
    places = [words.index(said) for said in ORDER]
    assert places == sorted(places)
    assert "Better retake. Cuts may be 0.21 mm off in all. 0.20 mm: The photo is slanted." in words
    assert all(caution in words for caution in CAUTIONS)


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_a_poor_photo_whose_reading_is_unsure_is_to_be_taken_again_first(kind: str) -> None:
    words = words_of(report(remarks=(SLANT, DARK), bitting=bitting(probability=0.5)), kind)
    first = "Take the photo again before you cut. Cuts may be 0.21 mm off in all. The photo is slanted. Hold it level."
    assert f"{first} Blade Pier" in words
    assert words.count("The photo is slanted.") == 1
    assert "0.05 mm: It is dark. More light." in words


def test_probabilities_are_worded_as_in_the_answer_in_words() -> None:
    words = words_of(report(), "html")
    assert "Whole bitting: 91 %, likely. Read bow to tip." in words
    assert cuts_verdict(reading()).startswith("Cuts 1-1-1-1 (91 %, likely).")


def test_no_more_than_three_other_codes_are_named() -> None:
    others = tuple((str(code), 0.05) for code in range(2, 9))
    cut = BittingCut(Length(5.0, 0.03), Length(8.0, 0.02), "1", 0.6, others)
    row = report(bitting=replace(bitting(), cuts=(cut,) * 4)).code[0]
    assert row.others == "2 (5 %), 3 (5 %), 4 (5 %)"


def test_edges_are_named_where_both_are_cut() -> None:
    seen = tuple(SeenCut(edge, Length(5.0, 0.03), Length(8.0, 0.02), (0.0, 0.0)) for edge in ("a", "b"))  # type: ignore[arg-type]
    unknown: dict[str, object] = {"cuts": seen, "bitting": None, "none_of_these": 0.9}
    assert [row.code for row in report(**unknown, blade=replace(reading().blade, edges=2)).code] == ["upper", "lower"]
    assert [row.code for row in report(**unknown).code] == ["", ""]


def test_nothing_comes_from_outside_and_nothing_runs() -> None:
    page = Page(report_html(report()))
    tags = {tag for tag, _ in page.elements}
    assert not tags & {"script", "iframe", "object", "embed", "link", "form", "base"}
    for _, attributes in page.elements:
        assert not any(name.startswith("on") for name in attributes)
        for name in ("src", "href", "action"):
            assert (attributes.get(name) or "data:").startswith("data:")
    policy = next(a["content"] for _, a in page.elements if a.get("http-equiv") == "Content-Security-Policy")
    assert (policy or "").startswith("default-src 'none'")


@pytest.mark.parametrize("where", ["photo", "blade", "blank", "asked"])
def test_hostile_text_is_shown_as_text(where: str) -> None:
    facts, made, record = reading(), candidate(), Record(MADE)
    changes: dict[str, object] = {}
    if where == "photo":
        changes = {"photo": replace(facts.photo, file=HOSTILE)}
    if where == "blade":
        changes = {"candidates": (replace(made, profile=replace(made.profile, name=HOSTILE)),)}
    if where == "blank":
        blank = replace(made.blanks[0], blank=replace(made.blanks[0].blank, id=HOSTILE), speaks_for=(HOSTILE,))
        changes = {"candidates": (replace(made, blanks=(blank,)),)}
    if where == "asked":
        record = Record(MADE, HOSTILE, HOSTILE)
    text = report_html(report(record, **changes))
    page = Page(text)
    assert "script" not in {tag for tag, _ in page.elements}
    assert "alert(1)" in page.words or where == "blade"  # a blade's name is shortened to what a terminal holds


def test_every_layer_has_a_switch_and_a_rule_that_hides_it() -> None:
    text = report_html(report())
    page = Page(text)
    groups = {a["class"] for tag, a in page.elements if tag == "g" and a.get("class")}
    switches = {a["id"] for tag, a in page.elements if tag == "input"}
    assert switches == {"show-edges", "show-nominal", "show-ends", "show-roots"}
    for switch in switches:
        layer = str(switch).replace("show-", "layer-")
        assert layer in groups
        assert f".photo:has(#{switch}:not(:checked)) .{layer} {{ display: none; }}" in text


def test_the_photo_in_it_has_nothing_that_the_camera_wrote() -> None:
    made = report()
    assert made.closeup is not None
    with Image.open(io.BytesIO(base64.b64decode(made.closeup.jpeg))) as shown:
        assert (shown.format, shown.size) == ("JPEG", (made.closeup.width_px, made.closeup.height_px))
        assert len(shown.getexif()) == 0


def test_it_stays_small() -> None:
    """1.5 MB is the goal for a photo of 12 megapixels; noise is the worst that JPEG can get."""
    made = examination()
    noise = np.random.default_rng(0).integers(0, 256, made.photo.pixels.shape, dtype=np.uint8)
    noisy = replace(made, photo=replace(made.photo, pixels=noise))
    assert len(report_html(make_report(noisy, Record(MADE)))) < 1_500_000


def test_absent_authority_is_told() -> None:
    assert Page(report_html(report())).words.count("not recorded") == 2
    given = Page(report_html(report(Record(MADE, "A. Holm", "lease and passport"))))
    assert "not recorded" not in given.words
    assert "lease and passport" in given.words


def test_roots_stand_on_their_ladders_where_they_were_measured() -> None:
    """The diamond is 0.018 mm under code 1: on a ladder of 3.4 steps of 0.5 mm over 27 mm that is 0.286 mm."""
    facts = examination().reading
    drawing = draw_blade(facts, examination().blade, bitting_profile(facts))
    diamonds = [s for s in drawing.shapes if isinstance(s, Line) and s.fill == MEASURED]
    rungs = [s for s in drawing.shapes if isinstance(s, Line) and s.width_mm == 0.9]
    assert len(diamonds) == len(rungs) == 4
    for diamond, rung in zip(diamonds, rungs, strict=True):
        middle = sum(y for _, y in diamond.points) / 4
        assert middle - rung.points[0][1] == pytest.approx(0.018 * 27 / (3.4 * 0.5), abs=1e-6)


def test_without_a_bitting_the_roots_found_are_named() -> None:
    facts = reading(bitting=None)
    drawing = draw_blade(facts, examination().blade, None)
    assert [s.text for s in drawing.shapes if isinstance(s, Words)].count("8.08") == 4


def test_layers_lie_on_the_photo() -> None:
    """The axis runs from stop to tip at mid-width; the close-up is the photo turned and enlarged."""
    made = report()
    assert made.closeup is not None
    ends = next(layer for layer in made.closeup.layers if layer.name == "ends")
    (x0, y0), (x1, y1) = ends.lines[0]
    zoom = (x1 - x0) / (LENGTH_MM * PX_PER_MM)
    assert y0 == pytest.approx(y1, abs=0.2)
    edges = next(layer for layer in made.closeup.layers if layer.name == "edges")
    assert edges.lines[0][0][1] == pytest.approx(y0 - WIDTH_MM / 2 * PX_PER_MM * zoom, abs=0.5)


def test_the_template_has_the_key_at_true_size() -> None:
    made = examination()
    drawing = draw_template(made, None)
    edge = next(s for s in drawing.shapes if isinstance(s, Line) and s.width_mm == 0.2 and len(s.points) > 50)
    stop = next(s for s in drawing.shapes if isinstance(s, Line) and s.dash_mm == 0.5)
    assert edge.points[0][0] == pytest.approx(stop.points[0][0])
    assert stop.points[0][1] - 4.0 - edge.points[0][1] == pytest.approx(WIDTH_MM)
    rough = next(s for s in drawing.shapes if isinstance(s, Line) and s.dash_mm == 1.0)
    left_of_stop = (STOP_PX[0] - made.silhouette.outline_px[:, 0].min()) / PX_PER_MM
    assert stop.points[0][0] - min(x for x, _ in rough.points) == pytest.approx(left_of_stop)


def test_the_template_is_valid_svg_at_true_size() -> None:
    root = ElementTree.fromstring(svg(draw_template(examination(), profile())))
    assert (root.get("width"), root.get("viewBox")) == ("186mm", "0 0 186 165")


def pdf_words(data: bytes) -> str:
    with pypdfium2.PdfDocument(data) as document:
        return "\n".join(page.get_textpage().get_text_bounded() for page in document)


def test_two_pages_and_the_template() -> None:
    data = report_pdf(report())
    with pypdfium2.PdfDocument(data) as document:
        assert len(document) == 3
        assert document[0].get_size() == pytest.approx((595.3, 841.9), abs=0.1)  # A4 in points: ISO 216
    words = pdf_words(data)
    for said in ("Blade Pier", "8.08 ±0.04 mm = 318 ±2 thou", "8.10 mm = 318.9 thou", "8.00 to 8.20 mm", "pier-b"):
        assert said in words
    assert all(caution in " ".join(words.split()) for caution in CAUTIONS)


def test_characters_that_its_fonts_lack_do_no_harm() -> None:
    assert "???" in pdf_words(report_pdf(report(Record(MADE, "鍵鍵鍵"))))


def test_the_template_page_is_at_true_size() -> None:
    """Rasterised and measured back: ruler of 80 mm, card of 85.60 x 53.98 mm (ISO/IEC 7810:2019, 5.1)."""
    with pypdfium2.PdfDocument(report_pdf(report())) as document:
        page = np.asarray(document[2].render(scale=PX * 25.4 / 72).to_pil().convert("L")) < 160
    top = 12.0  # margin of the page, mm
    band = page[round((top + 25.4) * PX) : round((top + 26.6) * PX), round(100 * PX) :]  # where only tens reach
    lines = np.flatnonzero(band.all(axis=0))
    assert (lines[-1] - lines[0]) / PX - 0.1 == pytest.approx(80.0, abs=0.1)  # lines 0.1 mm wide, outer sides
    row = np.flatnonzero(page[round((top + 50) * PX), : round(105 * PX)])
    assert (row[-1] - row[0]) / PX - 0.15 == pytest.approx(85.60, abs=0.1)  # a line 0.15 mm wide, outer sides
    column = np.flatnonzero(page[round((top + 4) * PX) : round((top + 64) * PX), round(25 * PX)])
    assert (column[-1] - column[0]) / PX - 0.15 == pytest.approx(53.98, abs=0.1)


@pytest.fixture
def photo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(identify, "examine", lambda *_, **__: examination())
    (tmp_path / "key.jpg").touch()
    return tmp_path / "key.jpg"


def run(photo: Path, *options: object) -> Result:
    return CliRunner().invoke(main, ["read", str(photo), *map(str, options)])


def test_files_are_written_for_their_owner_only(photo: Path) -> None:
    files = {name: photo.with_name(f"out.{name}") for name in ("html", "pdf", "svg", "png")}
    for option, kind in (("--report", "html"), ("--report", "pdf"), ("--template", "svg"), ("--picture", "png")):
        assert run(photo, option, files[kind]).exit_code == 0
    starts = {"html": b"<!DOCTYPE html>", "pdf": b"%PDF", "svg": b"<svg", "png": b"\x89PNG"}
    assert all(file.read_bytes().lstrip().startswith(starts[kind]) for kind, file in files.items())
    assert {file.stat().st_mode & 0o777 for file in files.values()} == {0o600}


def test_who_asked_is_printed(photo: Path) -> None:
    file = photo.with_name("r.html")
    run(photo, "--report", file, "--asked-by", "A. Holm", "--authority", "lease", "--hide-bitting")
    words = Page(file.read_text(encoding="utf-8")).words
    assert "A. Holm" in words
    assert "lease" in words
    assert "Customer's copy" in words


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--report", "r.txt"), "let its name end in .html or .pdf"),
        (("--template", "t.pdf"), "let its name end in .svg"),
        (("--asked-by", "A. Holm"), "belong to a --report"),
        (("--report", "nowhere/r.html"), "there is no folder"),
    ],
)
def test_a_wrong_command_writes_nothing(photo: Path, options: tuple[str, ...], message: str) -> None:
    done = run(photo, *options)
    assert (done.exit_code, done.stdout) == (2, "")
    assert message in done.stderr
    assert list(photo.parent.iterdir()) == [photo]


def test_a_number_and_its_unit_stay_on_one_line_of_the_page() -> None:
    text = report_html(report(bitting=replace(bitting(), also=(("2-1-1-1", 0.25),))))
    assert "Then try 2-1-1-1 (25\u00a0%)." in text
    assert "(25 %)" not in text
