"""The card's outline.  Lengths: ISO/IEC 7810, Identification cards - Physical characteristics (ID-1)."""

import cv2
import numpy as np
import pytest

from keyid.scales import card


def test_outline_has_the_area_of_a_rounded_rectangle() -> None:
    area = cv2.contourArea(card.outline_mm(200)[:, :2].astype(np.float32))
    assert area == pytest.approx(85.60 * 53.98 - (4 - np.pi) * 3.18**2, rel=1e-5)


def test_outline_lies_on_the_top_face() -> None:
    assert set(card.outline_mm()[:, 2]) == {0.76}


def test_sides_end_where_the_arcs_begin() -> None:
    for side in range(4):
        ends = card.side_points_mm(np.array([side, side]), np.array([-1.0, 1.0]) * card.straight_mm(side))
        arcs, _ = card.arc_points_mm(2000)
        np.testing.assert_allclose(ends[0], arcs[side, -1], atol=0.01)
        np.testing.assert_allclose(ends[1], arcs[(side + 1) % 4, 0], atol=0.01)


def test_a_larger_card_moves_the_sides_outward_only() -> None:
    side, along = np.arange(4), np.array([10.0, -5.0, 3.0, 8.0])
    grown = card.side_points_mm(side, along, card.CardSize(86.0, 54.0, 0.8)) - card.side_points_mm(side, along)
    np.testing.assert_allclose(grown[:, :2], card.SIDE_NORMALS * np.array([0.2, 0.01]), atol=1e-9)
    np.testing.assert_allclose(grown[:, 2], 0.04)
