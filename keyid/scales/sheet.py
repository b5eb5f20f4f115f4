"""The measuring sheet: where its markers stand, around a plain field for the key.

Markers are ArUco markers (Garrido-Jurado and others, "Automatic generation and detection of highly reliable fiducial
markers under occlusion", Pattern Recognition 47, 2014) as OpenCV makes and finds them.  Places are in mm; x to the
right and y down, from the middle of the field.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales import card

Array = NDArray[np.float64]

DICTIONARY = cv2.aruco.DICT_5X5_50
CELLS = 7  # across a marker: five of its code and a dark border
MARKER_MM, PITCH_MM = 16.0, 22.0
COLUMNS, ROWS = 8, 6  # of the ring of markers
COUNT = 2 * COLUMNS + 2 * (ROWS - 2)
FIELD_MM = (PITCH_MM * (COLUMNS - 2), PITCH_MM * (ROWS - 2))  # the plain field inside the ring
CARD_GAP_MM = 12.0  # from the lowest markers to a card's outline that is printed below them
BAR_MM = 100.0  # a bar to be measured: it shows whether the printer kept the scale


def corners_mm() -> Array:
    """Corners of all markers, shape (COUNT, 4, 2): from the upper left one clockwise, marker by marker."""
    centres = [(x, y) for y in range(ROWS) for x in range(COLUMNS) if x in (0, COLUMNS - 1) or y in (0, ROWS - 1)]
    middle = np.array([(COLUMNS - 1) / 2, (ROWS - 1) / 2])
    square = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * MARKER_MM / 2
    return np.asarray((np.array(centres) - middle)[:, None] * PITCH_MM + square)


def card_middle_mm() -> Array:
    """Middle of the printed card outline, x to the right and y up from the middle of the field."""
    down = (ROWS - 1) * PITCH_MM / 2 + MARKER_MM / 2 + CARD_GAP_MM + card.HEIGHT_MM / 2
    return np.array([0.0, -down])
