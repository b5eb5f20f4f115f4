"""The measuring sheet as a page to print: the markers, and what shows whether the printer kept the scale."""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.reports.drawing import INK, PAPER, Drawing, Line, Words, rectangle
from keyid.scales import card
from keyid.scales.sheet import BAR_MM, CARD_GAP_MM, CELLS, COUNT, DICTIONARY, MARKER_MM, PITCH_MM, ROWS, corners_mm

Array = NDArray[np.float64]
PaperSize = Literal["a4", "letter"]

PAPERS_MM: dict[PaperSize, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
RING_TOP_MM = 34.0  # of the page, to the uppermost markers
BAR_GAP_MM = 14.0
TITLE_MM, WORDS_MM = 5.0, 3.4
BLACK = "#000000"


def draw_sheet(paper: PaperSize) -> Drawing:
    """The sheet on a page of A4 or US Letter."""
    width, height = PAPERS_MM[paper]
    middle = np.array([width / 2, RING_TOP_MM + ((ROWS - 1) * PITCH_MM + MARKER_MM) / 2])
    markers = [shape for number in range(COUNT) for shape in _marker(number, middle)]
    bottom = float(middle[1]) * 2 - RING_TOP_MM
    checks = _checks(width / 2, bottom + CARD_GAP_MM)
    title = Words(width / 2, 14.0, "Measuring sheet for a key", TITLE_MM, "middle")
    how = (
        "Print at 100 %. Lay the key flat in the plain field, cut edge free.",
        "Photograph the field and its markers from straight above; some may be hidden.",
    )
    lines = [Words(width / 2, 22.0 + 5.0 * k, text, WORDS_MM, "middle") for k, text in enumerate(how)]
    return Drawing(
        width, height, (title, *lines, *markers, *checks), "Measuring sheet: markers around a field for a key"
    )


def _marker(number: int, middle: Array) -> list[Line]:
    """A marker as a dark square with its light cells on it, those side by side as one."""
    cells = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(DICTIONARY), number, CELLS)
    left, top = corners_mm()[number, 0] + middle
    cell = MARKER_MM / CELLS
    shapes = [_area(left, top, left + MARKER_MM, top + MARKER_MM, BLACK)]
    for row, values in enumerate(cells > 0):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], values.astype(int), [0]])))
        for first, last in edges.reshape(-1, 2):
            y = top + row * cell
            shapes.append(_area(left + first * cell, y, left + last * cell, y + cell, PAPER))
    return shapes


def _area(left: float, top: float, right: float, bottom: float, colour: str) -> Line:
    corners = rectangle(float(left), float(top), float(right), float(bottom))
    return Line(corners, colour="none", closed=True, fill=colour)


def _checks(middle: float, top: float) -> list[Line | Words]:
    """A card's outline and a bar, to be compared with a card and a ruler."""
    outline = card.outline_mm()[:, :2] * [1.0, -1.0] + [middle, top + card.HEIGHT_MM / 2]
    y = top + card.HEIGHT_MM + BAR_GAP_MM
    left, right = middle - BAR_MM / 2, middle + BAR_MM / 2
    ends = [Line(((x, y - 3.0), (x, y + 3.0)), INK, 0.2) for x in (left, right)]
    return [
        Line(tuple((float(x), float(y)) for x, y in outline), INK, 0.2, closed=True),
        Words(middle, top + card.HEIGHT_MM / 2, "A bank card covers this outline exactly.", WORDS_MM, "middle"),
        Line(((left, y), (right, y)), INK, 0.2),
        *ends,
        Words(
            middle, y + 6.0, "This bar is 100 mm long. If it is not, tell its length: --bar 99.6", WORDS_MM, "middle"
        ),
    ]
