"""The picture: everything measured is drawn where it is, and what must be said is written."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
from PIL import Image

from keyid.reports import picture
from keyid.reports.picture import OUTLINE, REFERENCE, ROOT, STOP, TIP, WIDTH_PX, draw, legend, png
from tests.unit.example_examination import LENGTH_MM, METAL, PX_PER_MM, STOP_PX, WIDTH_MM, examination

NEAR = 12  # levels of grey: a line's core has its own colour but for smoothing at its rims


def where(image: Image.Image, colour: tuple[int, int, int]) -> np.ndarray:
    """Rows and columns of pixels of a colour."""
    return np.argwhere(np.abs(np.asarray(image).astype(int) - colour).max(axis=2) <= NEAR)


def test_every_kind_of_mark_is_drawn_and_the_width_is_fixed() -> None:
    drawn = draw(examination())
    assert drawn.width == WIDTH_PX
    assert all(len(where(drawn, colour)) > 50 for colour in (OUTLINE, STOP, TIP, ROOT, REFERENCE))


def test_the_closeup_shows_the_blade_where_it_is() -> None:
    # By construction: the drawn metal's four sides lie on stop, tip and the two edges.
    made = examination()
    view = picture.closeup(made)
    shown = picture.shown(made.photo.pixels, view)
    metal = np.argwhere(np.abs(shown.astype(int) - METAL).max(axis=2) <= NEAR)
    corners = np.array([[-0.5, -0.5 - PX_PER_MM * WIDTH_MM], [PX_PER_MM * LENGTH_MM - 0.5, -0.5]])
    expected = view.place(STOP_PX + corners)
    found = np.array([metal.min(axis=0)[::-1], metal.max(axis=0)[::-1]])
    assert np.abs(found - expected).max() <= 3  # canvas pixels: a rim is 1 px of the photo, here 4, wide


def test_shrinking_keeps_places() -> None:
    # By construction: a disc's centre of mass must land where the view says, when shrunk as when enlarged.
    pixels = np.zeros((600, 800, 3), np.uint8)
    y, x = np.mgrid[:600, :800]
    pixels[np.hypot(x - 251.3, y - 402.6) < 40] = 255
    for zoom in (0.31, 0.5, 1.0, 1.7):
        view = picture.View(np.array([[zoom, 0, 5.0], [0, zoom, -7.0]]), (1400, 1000))
        weight = picture.shown(pixels, view)[..., 0].astype(float)
        rows, columns = np.mgrid[: weight.shape[0], : weight.shape[1]]
        centre = np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()
        assert np.abs(centre - view.place(np.array([[251.3, 402.6]]))[0]).max() < 0.15  # px; the disc is made of pixels


def test_without_a_bitting_the_found_cuts_are_drawn() -> None:
    with_codes, without = draw(examination()), draw(examination(bitting=None))
    assert len(where(without, ROOT)) > 50
    assert len(where(with_codes, ROOT)) > 50
    assert not np.array_equal(np.asarray(with_codes), np.asarray(without))


def test_the_legend_does_not_promise_codes_that_are_not_told() -> None:
    assert "roots pink with their codes" in legend(examination().reading)
    assert "roots pink with the metal left there in mm" in legend(examination(bitting=None).reading)


def test_the_legend_names_the_lines_that_are_drawn() -> None:
    reading = examination().reading
    assert legend(reading).startswith("Outline yellow, stop orange, tip blue, roots")
    from_tip = replace(reading, blade=replace(reading.blade, stop="tip", length=None))
    assert legend(from_tip).startswith("Outline yellow, stop (the tip) orange, roots")
    unknown = replace(reading, blade=replace(reading.blade, stop="unknown", length=None))
    assert legend(unknown).startswith("Outline yellow, roots")


def test_an_unseen_stretch_of_an_edge_is_a_gap() -> None:
    made = examination()
    pieces = picture.edge_px(made.blade, made.frame, "a")
    assert len(pieces) == 2
    assert pieces[0][-1, 0] < STOP_PX[0] + 10 * PX_PER_MM < pieces[1][0, 0]


def test_words_are_broken_to_fit() -> None:
    font = picture.ImageFont.load_default(44)
    lines = picture._broken("word " * 80, font)
    assert len(lines) > 1
    assert all(font.getlength(line) <= WIDTH_PX for line in lines)


def test_it_is_written_as_png() -> None:
    with Image.open(io.BytesIO(png(Image.new("RGB", (8, 6))))) as drawn:
        assert (drawn.format, drawn.size) == ("PNG", (8, 6))
