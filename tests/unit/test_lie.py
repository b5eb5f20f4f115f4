"""The plane of the upper face: to the photo and back, its wall, and how keys lie."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from keyid.outlines.lie import LieInputs, assume_inputs, lie_variations, place
from tests.scene import KeySpec, lay_down, posed_camera, scene_truth
from tests.unit.known_scene import scale_of, silhouette_of, true_inputs, view_of

Array = NDArray[np.float64]

CAMERA = posed_camera(
    2900.0, (760.0, 640.0), distance_mm=220.0, tilt_deg=22.0, azimuth_deg=70.0, roll_deg=5.0, k1=-0.03
)
PLASTIC = KeySpec(head="plastic", head_thickness_mm=9.6, head_length_mm=40.0, length_mm=28.0, thickness_mm=2.4)


def inputs_with(**changes: float) -> LieInputs:
    return replace(LieInputs(0.0, 2.2, 0.1, 0.0, 0.0), **changes)


def blade_px(yaw_deg: float, at_mm: tuple[float, float]) -> Array:
    heading = np.array([np.cos(np.radians(yaw_deg)), np.sin(np.radians(yaw_deg)), 0.0])
    return CAMERA.project(np.array([*at_mm, 2.0]) + np.array([[-15.0], [15.0]]) * heading)


# --- to the photo and back -------------------------------------------------------------------------------------------


@given(
    yaw=st.floats(0, 360), pitch=st.floats(0, 10), roll=st.floats(-3, 3),
    s=st.floats(-35, 5), v=st.floats(-8, 8), x=st.floats(-20, 20), y=st.floats(-20, 20),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_a_point_of_the_face_is_seen_and_traced_back(
    yaw: float, pitch: float, roll: float, s: float, v: float, x: float, y: float
) -> None:
    lie = place(inputs_with(pitch_deg=pitch, roll_deg=roll), blade_px(yaw, (x, y)), CAMERA)
    point = np.array([[s, v]])
    # The lens's inverse has converged to 1e-6 px (camera.py), which is 1e-7 mm here.
    np.testing.assert_allclose(lie.from_px(lie.to_px(point, CAMERA), CAMERA), point, atol=1e-5)
    axes = np.stack([lie.along, lie.across, lie.normal])
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(axes) == pytest.approx(1.0)  # right-handed: v grows to the left of s, seen from above


def test_the_two_points_of_the_blade_lie_on_its_axis() -> None:
    ends = blade_px(33.0, (5.0, -4.0))
    found = place(inputs_with(), ends, CAMERA).from_px(ends, CAMERA)
    # Made 2.0 mm up, understood 2.3 mm up, 200 mm from the camera: 30 mm look 0.3 / 200 of themselves shorter.
    np.testing.assert_allclose(found, [[-30.0 * (1 - 0.3 / 200), 0.0], [0.0, 0.0]], atol=0.01)


# --- the wall --------------------------------------------------------------------------------------------------------


def test_seen_from_straight_above_the_lower_rim_leans_toward_the_cameras_foot() -> None:
    camera = posed_camera(2900.0, (760.0, 640.0), distance_mm=220.0)
    lie = place(inputs_with(lift_mm=0.0), camera.project(np.array([[30.0, 0, 2.2], [60.0, 0, 2.2]])), camera)
    # Similar triangles: 2.2 mm under a face 217.8 mm from the camera, what is r from its foot looks r 2.2 / 220 nearer.
    for s in (-30.0, 0.0):
        r = 60.0 + s
        np.testing.assert_allclose(lie.wall(np.array([[s, 0.0]]), camera)[0], [-r / 220.0, 0.0], atol=1e-6)


@pytest.mark.parametrize("face_up", ["a", "b"])
@pytest.mark.parametrize("yaw_deg", [0.0, 75.0, 200.0])
def test_the_wall_leads_to_the_lower_rim_as_it_is_drawn(yaw_deg: float, face_up: str) -> None:
    scene = view_of(tilt_deg=20.0, azimuth_deg=130.0, yaw_deg=yaw_deg, face_up=face_up, picture=False)
    truth = scene.truth
    lie = place(true_inputs(scene), silhouette_of(scene).blade_px, truth.camera)
    upper, lower = (lie.from_px(px, truth.camera) for px in (truth.blade_upper_px, truth.blade_lower_px))
    seen = upper + lie.thickness_mm * lie.wall(upper, truth.camera)
    assert np.linalg.norm(lower - upper, axis=1).min() > 0.3  # so the test can fail
    np.testing.assert_allclose(seen, lower, atol=1e-4)  # exact but for the frame's rounding


# --- how keys lie ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("yaw_deg", [0.0, 120.0, 250.0])
def test_a_pitched_blade_is_placed_as_it_lies(yaw_deg: float) -> None:
    pose = lay_down(PLASTIC, (4.0, 6.0), yaw_deg)
    truth = scene_truth(PLASTIC, pose, CAMERA)
    pitch = float(np.degrees(np.arcsin(-pose.rotation[2, 0])))
    assert 4.0 < pitch < 10.0
    lie = place(LieInputs(0.0, PLASTIC.thickness_mm, 0.0, pitch, 0.0), truth.axis_px, CAMERA)
    # The bow's height is taken from the blade's length on the level, 1 - cos(pitch) off: 0.02 deg of heading at most.
    np.testing.assert_allclose(lie.normal, pose.rotation[:, 2], atol=2e-3)
    np.testing.assert_allclose(lie.along, pose.rotation[:, 0], atol=2e-3)
    # The rounded tip touches the table at its mid-line, whose upper rim stands over the lowest point's.
    middle = np.array([PLASTIC.length_mm, PLASTIC.width_mm / 2, PLASTIC.thickness_mm])
    np.testing.assert_allclose(lie.tip_mm, pose.to_world(middle), atol=0.01)
    assert -lie.from_px(truth.axis_px, CAMERA)[0, 0] == pytest.approx(PLASTIC.length_mm, abs=0.03)  # 0.1 %


def test_an_unheeded_pitch_makes_the_blade_wrong() -> None:
    truth = scene_truth(PLASTIC, lay_down(PLASTIC, (4.0, 6.0), 250.0), CAMERA)
    flat = place(LieInputs(0.0, PLASTIC.thickness_mm, 0.0, 0.0, 0.0), truth.axis_px, CAMERA)
    assert abs(-flat.from_px(truth.axis_px, CAMERA)[0, 0] - PLASTIC.length_mm) > 0.3  # ten times the tolerance above


def test_a_roll_lifts_the_left_side() -> None:
    lie = place(inputs_with(roll_deg=2.0), blade_px(40.0, (0.0, 0.0)), CAMERA)
    assert lie.across[2] == pytest.approx(np.sin(np.radians(2.0)))
    assert lie.along[2] == pytest.approx(0.0, abs=1e-12)


def test_heights_add_up_under_the_tip() -> None:
    lie = place(LieInputs(0.76, 2.0, 0.15, 0.0, 0.0), blade_px(0.0, (0.0, 0.0)), CAMERA)
    assert lie.tip_mm[2] == pytest.approx(0.76 + 2.0 + 0.15)
    assert lie.thickness_mm == 2.0


def test_a_plastic_heads_pitch_follows_from_its_thickness() -> None:
    scene = view_of(PLASTIC, at_mm=(0.0, 60.0), picture=False)
    truth = true_inputs(scene).pitch_deg
    found = assume_inputs(silhouette_of(scene), scale_of(scene), PLASTIC.thickness_mm)
    # The head is 9.6 mm thick as assumed; what is left is where it rests, 0.5 mm of 35.
    assert found.pitch_deg == pytest.approx(truth, rel=0.06)
    assert found.lift_mm == 0.0


def test_a_metal_key_lies_level_a_little_lifted() -> None:
    scene = view_of(picture=False)
    found = assume_inputs(silhouette_of(scene), scale_of(scene))
    assert (found.pitch_deg, found.roll_deg, found.support_mm) == (0.0, 0.0, 0.0)
    assert 0.0 < found.lift_mm < 0.6  # a head is up to 0.6 mm thicker than its blade, and lifts it by half of that


@pytest.mark.parametrize("thickness_mm", [1.8, 3.0])
def test_a_known_thickness_is_used(thickness_mm: float) -> None:
    scene = view_of(picture=False)
    assert assume_inputs(silhouette_of(scene), scale_of(scene), thickness_mm).thickness_mm == thickness_mm


def test_a_key_on_the_card_lies_a_card_higher() -> None:
    on_card = view_of(at_mm=(8.0, 0.0), picture=False)
    assert assume_inputs(silhouette_of(on_card), scale_of(on_card)).support_mm == 0.76  # ISO/IEC 7810:2019, ID-1


def test_a_plastic_head_on_the_card_stands_higher() -> None:
    on_table, on_card = (view_of(PLASTIC, at_mm=(0.0, y), yaw_deg=90.0, picture=False) for y in (75.0, 40.0))
    free, raised = (assume_inputs(silhouette_of(scene), scale_of(scene), 2.4) for scene in (on_table, on_card))
    assert raised.support_mm == free.support_mm == 0.0  # the tip lies on the table
    # The card's 0.76 mm (ISO/IEC 7810:2019, ID-1) over the 28 + 4.5 + 3 mm from the tip to where the head rests.
    assert raised.pitch_deg - free.pitch_deg == pytest.approx(np.degrees(0.76 / 35.5), rel=0.05)


def test_each_variation_moves_one_input() -> None:
    inputs = inputs_with()
    for varied in lie_variations(inputs, "metal", 0.3):
        moved = vars(varied.inputs)
        names = [name for name, value in vars(inputs).items() if moved[name] != value]
        assert len(names) == 1
        assert varied.source == {"thickness_mm": "thickness", "lift_mm": "height"}.get(names[0], "slope")
    assert lie_variations(inputs, "metal", 0.3)[0].inputs.thickness_mm == pytest.approx(2.5)


def test_a_plastic_keys_slope_is_less_sure() -> None:
    pitches = {
        head: max(v.inputs.pitch_deg - 7.0 for v in lie_variations(inputs_with(pitch_deg=7.0), head, 0.3))
        for head in ("metal", "plastic")
    }
    assert pitches["plastic"] > 2 * pitches["metal"]


def test_a_flat_key_leans_less_than_one_on_its_heads_seam() -> None:
    rolls = {
        head: max(v.inputs.roll_deg for v in lie_variations(inputs_with(pitch_deg=7.0), head, 0.3))
        for head in ("metal", "plastic")
    }
    assert 0 < rolls["metal"] < 0.5 * rolls["plastic"]


def test_a_thicker_blade_in_the_same_plastic_head_slopes_less() -> None:
    silhouette, scale = silhouette_of(view_of(PLASTIC, picture=False)), scale_of(view_of(PLASTIC, picture=False))
    thin, thick = (assume_inputs(silhouette, scale, mm) for mm in (2.4, 2.7))
    varied = lie_variations(thin, "plastic", 0.3)[0].inputs
    assert varied.thickness_mm == pytest.approx(thick.thickness_mm)
    assert varied.pitch_deg - thin.pitch_deg == pytest.approx(thick.pitch_deg - thin.pitch_deg, rel=0.05)
