"""The tip's outline against the exact plan of made keys (no source needed)."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.blades.blade_measure import measure_blade
from keyid.new_profiles.profile_tip import SMOOTH_MM, tip_outline
from tests.scene.key import KeySpec, blade_plan
from tests.unit.known_scene import KEY, exact_outline, scale_of, view_of

NOISE_MM = 0.01
NEAR_MM = SMOOTH_MM + 5 * NOISE_MM  # the chain leaves out points nearer than that, its own have five sigma


def off_plan(key: KeySpec, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of points from the outline of a key's blade."""
    start = blade_plan(key)
    along = np.roll(start, -1, axis=0) - start
    beside = points[:, None] - start
    part = np.clip((beside * along).sum(axis=-1) / (along**2).sum(axis=-1), 0, 1)
    return np.asarray(np.linalg.norm(beside - part[..., None] * along, axis=-1).min(axis=1))


@pytest.mark.parametrize("stop", ["shoulder", "tip"])
@pytest.mark.parametrize("shape", ["flat", "pointed", "rounded"])
def test_the_outline_lies_on_the_tip(
    shape: Literal["flat", "pointed", "rounded"], stop: Literal["shoulder", "tip"]
) -> None:
    steps = {} if stop == "shoulder" else {"step_a_mm": 0.0}
    key = replace(KEY, cuts=(), stop=stop, tip=shape, **steps)
    scene = view_of(key, picture=False)
    blade, _ = measure_blade(exact_outline(scene, NOISE_MM), scale_of(scene))
    found = np.array(tip_outline(blade))
    assert 4 <= len(found) <= 25
    assert (found[0, 1], found[-1, 1]) == pytest.approx((blade.width.mm, 0.0), abs=0.01)
    plan = np.column_stack([key.x_of(found[:, 0]), found[:, 1]])
    assert off_plan(key, plan).max() < NEAR_MM
    foremost = found[:, 0].max() if stop == "shoulder" else found[:, 0].min()
    assert foremost == pytest.approx(key.length_mm if stop == "shoulder" else 0.0, abs=NEAR_MM)


def test_a_tip_that_was_not_seen_has_none() -> None:
    scene = view_of(replace(KEY, cuts=()), picture=False)
    blade, _ = measure_blade(exact_outline(scene), scale_of(scene))
    assert tip_outline(replace(blade, tip=np.empty((0, 2)))) == ()
