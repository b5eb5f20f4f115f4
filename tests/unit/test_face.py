"""What looks like the blade's face, and what doesn't."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.face import LIMIT, face_log_ratio, metal_log_ratio
from keyid.strip import Strip, straighten_aligned
from tests.scene import Look
from tests.unit.known_scene import COARSE, KEY, on_face, photo_of, silhouette_of, true_inputs, view_of

Array = NDArray[np.float64]

LOOKS = {
    "brass on paper": Look(table=(0.72, 0.74, 0.75), noise_grey=1.0),
    "nickel on wood": Look(table=(0.10, 0.18, 0.30), metal=(0.42, 0.44, 0.45), head_colour=(0.42, 0.44, 0.45)),
    "brass in its shadow": Look(table=(0.72, 0.74, 0.75), shadow=0.6, shadow_soft_mm=0.6, light_elevation_deg=45.0),
    "brushed brass on cloth": Look(table=(0.06, 0.07, 0.07), brushed=0.06, surface="noise"),
}


@cache
def seen(name: str) -> tuple[Strip, Array]:
    """A strip, and each sample's place on the true face (x, y of the key frame)."""
    scene = view_of(tilt_deg=8.0, azimuth_deg=60.0, yaw_deg=25.0, look=LOOKS[name])
    camera, silhouette = scene.truth.camera, silhouette_of(scene, **COARSE)
    strip = straighten_aligned(photo_of(scene), camera, true_inputs(scene), silhouette.blade_px, silhouette.width_mm)
    grid = np.stack(np.meshgrid(strip.s_mm, strip.v_mm), axis=-1)
    flat = strip.lie.to_px(grid.reshape(-1, 2), camera)
    return strip, on_face(scene, flat).reshape(grid.shape)


def heights(x: Array) -> Array:
    return KEY.height_mm("a", np.clip(x, 0.0, KEY.length_mm))


@pytest.mark.parametrize("name", LOOKS)
def test_the_face_is_told_from_what_is_beside_it(name: str) -> None:
    strip, at = seen(name)
    ratio = face_log_ratio(strip)
    x, y = at[..., 0], at[..., 1]
    along = (x > 2.0) & (x < KEY.length_mm - 3.5)
    face = along & (y > 0.3) & (y < heights(x) - 0.3)  # past the blurred rims
    beside = along & ((y < -1.2) | (y > KEY.width_mm + 1.2))  # past the wall: 2.6 mm seen 8 degrees aslant
    # Most samples must be right, for paths sum over some hundred of them; brushed or shaded ones may be in doubt.
    assert np.mean(ratio[face] > 0) > 0.85
    assert np.mean(ratio[beside] < 0) > 0.9


@pytest.mark.parametrize("name", LOOKS)
def test_the_tip_parts_metal_from_what_lies_beyond(name: str) -> None:
    strip, at = seen(name)
    ratio = metal_log_ratio(strip)
    x, y = at[..., 0], at[..., 1]
    middle = np.abs(y - KEY.width_mm / 2) < 1.5
    assert np.mean(ratio[middle & (x > KEY.length_mm - 3.0) & (x < KEY.length_mm - 0.5)] > 0) > 0.85
    assert np.mean(ratio[middle & (x > KEY.length_mm + 0.8)] < 0) > 0.9


def test_no_sample_has_more_than_its_say() -> None:
    strip, _ = seen("brass on paper")
    for ratio in (face_log_ratio(strip), metal_log_ratio(strip)):
        assert ratio.shape == strip.values.shape[:2]
        assert np.abs(ratio).max() <= LIMIT
