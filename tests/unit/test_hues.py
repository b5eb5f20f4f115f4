"""Hues of drawn pictures: what a shadow and a colour at its limit do to them, and how odds follow from them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyid.photos.hues import BINS, CLIPPED, hues_of
from keyid.photos.light import codes_of_light

LIGHT = np.array([0.15, 0.3, 0.5], np.float32)  # of blue, green, red


def two_halves(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    picture = np.empty((40, 60, 3), np.float32)
    picture[:, :30], picture[:, 30:] = one, two
    return codes_of_light(picture)


@given(shade=st.floats(0.3, 1.0))
def test_a_shadow_keeps_the_hue(shade: float) -> None:
    number = hues_of(two_halves(LIGHT, shade * LIGHT), 1.0).number
    across, along = np.divmod(number, BINS)
    assert np.ptp(across) <= 1
    assert np.ptp(along) <= 1


def test_another_colour_has_another_hue() -> None:
    number = hues_of(two_halves(LIGHT, LIGHT[::-1]), 1.0).number
    assert np.abs(number[:, 5] - number[:, -5]).min() > BINS


def test_a_colour_at_its_limit_has_none() -> None:
    clear = hues_of(two_halves(LIGHT, np.array([0.5, 0.5, 1.0])), 1.0).clear
    assert clear[:, :30].all()
    assert not clear[:, 30:].any()
    assert CLIPPED < 1


def test_odds_follow_what_was_learnt_up_to_their_limit() -> None:
    hues = hues_of(two_halves(LIGHT, LIGHT[::-1]), 0.5)
    left = np.zeros((40, 60), np.float32)
    left[:, :30] = 1.0
    one, two = hues.density(left, 100.0), hues.density(1 - left, 100.0)
    assert one is not None
    assert two is not None
    odds = hues.odds(one, two, 3.0)
    np.testing.assert_allclose(odds[:, [5, -5]], [[3.0, -3.0]] * 40)
    assert one.sum() == pytest.approx(1.02, abs=1e-3)  # what is seen, and what may be there unseen


def test_too_little_teaches_nothing() -> None:
    hues = hues_of(two_halves(LIGHT, LIGHT[::-1]), 0.5)
    assert hues.density(np.full((40, 60), 0.7, np.float32), 100.0) is None  # nowhere sure
    assert hues.density(np.ones((40, 60), np.float32), 3000.0) is None
