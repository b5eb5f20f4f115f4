"""The regions of a strip: on scenes whose regions are known, and that they keep to the strip's own samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from keyid.outlines.lie import place
from keyid.outlines.segmentation import Regions, segment
from keyid.outlines.strip import Strip, straighten
from tests.scene import Scene
from tests.unit.known_scene import KEY, VIEWS, on_face, photo_of, silhouette_of, true_inputs, view_of


def strip_of(scene: Scene) -> Strip:
    camera = scene.truth.camera
    lie = place(true_inputs(scene), silhouette_of(scene).blade_px, camera)
    return straighten(photo_of(scene), camera, lie, KEY.length_mm + KEY.collar_mm, KEY.width_mm)


def view(tilt_deg: float, azimuth_deg: float, yaw_deg: float) -> Scene:
    return view_of(tilt_deg=tilt_deg, azimuth_deg=azimuth_deg, yaw_deg=yaw_deg)


@pytest.mark.parametrize("angles", VIEWS)
def test_the_face_is_told_from_its_surroundings(angles: tuple[float, float, float]) -> None:
    scene = view(*angles)
    strip = strip_of(scene)
    regions = segment(strip, scene.truth.camera)
    s_v = np.stack(np.meshgrid(strip.s_mm, strip.v_mm), axis=-1)
    x, y = on_face(scene, strip.lie.to_px(s_v.reshape(-1, 2), scene.truth.camera)).T.reshape(2, *s_v.shape[:2])
    inside = (x > 0) & (x < KEY.length_mm) & (y > KEY.width_mm - KEY.height_mm("b", x)) & (y < KEY.height_mm("a", x))
    wrong = (regions.face > 0.5) != inside
    # Wrong samples per length of rim: one sample of the network, so that the right edge is the nearest.  This key has a
    # collar on one side only; how far it goes is not judged here but by the shoulder's step.
    rim_mm = 2 * KEY.length_mm + KEY.width_mm
    assert wrong[x > 0.5].sum() * (strip.s_mm[1] - strip.s_mm[0]) ** 2 / rim_mm < 0.08
    assert regions.body[inside & (x > 2)].mean() < 0.02


def test_a_strip_of_any_size_has_regions_of_its_size() -> None:
    scene = view(*VIEWS[2])
    whole = strip_of(scene)
    part = replace(whole, values=whole.values[:-5, 7:], s_mm=whole.s_mm[7:], v_mm=whole.v_mm[:-5])
    regions, cropped = (segment(strip, scene.truth.camera) for strip in (whole, part))
    assert cropped.face.shape == part.values.shape[:2]
    # The samples of the network lie half a sample elsewhere: the face's area stays.
    assert cropped.face.sum() == pytest.approx(regions.face.sum(), rel=0.02)


def test_what_is_none_of_the_regions_is_left() -> None:
    scene = view(*VIEWS[3])
    regions = segment(strip_of(scene), scene.truth.camera)
    total = regions.face + regions.body + regions.wall + regions.plastic
    assert total.max() <= 1 + 1e-5  # rounding in single precision
    assert total[0, -1] < 0.05  # the strip's far corner is table


def test_log_odds_are_limited() -> None:
    share = np.array([[0.0, 0.5, 1.0]], np.float32)
    odds = Regions(share, *(np.zeros_like(share),) * 3, share).face_odds
    np.testing.assert_allclose(odds, [[-4.0, 0.0, 4.0]], atol=1e-4)
