"""The reading takes over what the stages found, in the right places of the photo."""

from __future__ import annotations

import numpy as np
import pytest

from keyid.blades.cuts import Cut
from keyid.length import Length
from keyid.rankings.ranking import Candidate, Decoded, Ranking
from keyid.readings.compose import Advice, compose, px_per_mm
from keyid.readings.reading import Reading
from tests.unit.example_examination import LENGTH_MM, PX_PER_MM, STOP_PX, WIDTH_MM, blade, examination
from tests.unit.example_reading import NEXT, bitting, profile


def composed() -> Reading:
    made = examination()
    nothing = Length(0.0, 0.0)
    decoded = Decoded(profile(), (), (), (), (), nothing, nothing, 0.0, ("width fits",), ("cut 2 is off",))
    ranking = Ranking((Candidate(profile(), 0.9, "A", decoded),), 0.03, 0.07)
    cuts = (Cut("a", Length(5.0, 0.03), Length(6.5, 0.02), 1.0), Cut("b", Length(8.0, 0.03), Length(7.0, 0.02), 0.0))
    advice = Advice(bitting(), NEXT, ())
    return compose(made.photo, made.scale, made.silhouette, made.blade, made.frame, cuts, ranking, advice)


def test_pixels_are_where_the_frame_puts_them() -> None:
    # By hand: edge a is on top and edge b below; heights are measured from the other edge's uncut line.
    made = composed()
    assert made.cuts[0].px == pytest.approx((STOP_PX[0] + 50, STOP_PX[1] - 65))
    assert made.cuts[1].px == pytest.approx((STOP_PX[0] + 80, STOP_PX[1] - 10))
    start, tip = made.blade.axis_px
    assert start == pytest.approx((STOP_PX[0], STOP_PX[1] - PX_PER_MM * WIDTH_MM / 2))
    assert tip == pytest.approx((STOP_PX[0] + PX_PER_MM * LENGTH_MM, STOP_PX[1] - PX_PER_MM * WIDTH_MM / 2))


def test_the_scale_is_that_at_the_blade() -> None:
    assert px_per_mm(examination().frame, blade()) == pytest.approx(PX_PER_MM)
    assert composed().scale.px_per_mm == pytest.approx(PX_PER_MM)


def test_a_camera_from_straight_above_is_not_tilted() -> None:
    assert composed().scale.tilt_deg == pytest.approx(0.0, abs=1e-6)


def test_heads_speak_for_and_against_blanks() -> None:
    metal, plastic = composed().candidates[0].blanks
    assert (metal.speaks_for, metal.speaks_against) == (("the head looks like metal",), ())
    assert plastic.speaks_against == ("the head looks like metal, this blank's is plastic",)


def test_the_rest_is_handed_on() -> None:
    made = composed()
    assert (made.others, made.none_of_these, made.next_measurement) == (0.03, 0.07, NEXT)
    assert made.candidates[0].speaks_against == ("cut 2 is off",)
    assert made.bitting == bitting()
    assert np.isclose(sum(c.probability for c in made.candidates) + made.others + made.none_of_these, 1.0)
