"""Checks of other ways to take the edges, on exact edges of invented keys (no source needed)."""

from dataclasses import replace

import numpy as np
import pytest

from keyid.length import Length
from keyid.rankings.other_ways import ways_to_take
from keyid.rankings.ranking import rank
from tests.unit.measured_blade import MOLE, PIER, QUAY, key_of, measured

CODE = "3-1-4-2-5"


def test_a_blade_measured_right_is_taken_as_it_is() -> None:
    assert len(ways_to_take(measured(key_of(PIER, CODE)))) == 1
    assert all(way.edges == 2 for way, _ in ways_to_take(measured(key_of(QUAY, "2-3-1-4-2-1-3"))))


def test_a_root_s_flat_taken_for_the_uncut_edge_is_seen_through() -> None:
    blade = replace(measured(key_of(PIER, "1-3-5-4-2")), width=Length(6.75, 0.03))
    widths = [way.width.mm for way, _ in ways_to_take(blade)]
    assert widths == pytest.approx([6.75, 8.0], abs=0.1)
    assert rank(blade, (PIER, MOLE)).candidates[0].profile is PIER


def test_a_scratch_beside_the_uncut_edge_and_a_tilted_axis_do_not_hide_the_blade() -> None:
    blade = measured(key_of(PIER, CODE))
    x = blade.b.x_mm
    along = np.where((x > 8.7) & (x < 13.0), blade.b.height_mm - 0.5, blade.b.height_mm)
    tilt = 0.02 * (x - 12.0)
    a = replace(blade.a, height_mm=blade.a.height_mm + tilt)
    b = replace(blade.b, height_mm=along - tilt)
    first = rank(replace(blade, edges=2, a=a, b=b), (PIER, MOLE)).candidates[0]
    assert first.profile is PIER
    assert "-".join(first.decoded.best[0][0]) == CODE
