"""Keys of listed blades that photos are made of: their grooves run out where the profile has them open."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from keyid.profiles.library import load_library
from tests.scene import KeyPose
from tests.training.listed import listed_key

PROFILES = Path(__file__).parents[2] / "reference_profiles" / "demo"


def test_a_groove_on_the_blades_edge_goes_on_over_it_and_others_keep_their_sides() -> None:
    profile = load_library(PROFILES).profiles[0]
    width = profile.width_mm
    open_ones = replace(profile, grooves_left_mm=((0.0, 2.0), (3.0, 4.0)), grooves_right_mm=((5.0, width),))
    key = listed_key(open_ones, np.random.default_rng(1))
    upper, lower = key.grooves_mm(KeyPose(np.eye(3), np.zeros(3), "a"))
    assert upper[0][0] < -0.5
    assert upper[0][1:] == (2.0,)
    assert upper[1] == (3.0, 4.0)
    assert lower[0][0] == 5.0
    assert lower[0][1] > width + 0.5
    assert key.grooves_mm(KeyPose(np.eye(3), np.zeros(3), "b")) == (lower, upper)
