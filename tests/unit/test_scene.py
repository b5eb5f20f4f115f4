"""The scene maker itself: pictures and outlines must be exact before anything is measured in them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from scipy.special import erf

from tests.scene import (
    CutSpec,
    KeySpec,
    Look,
    Scene,
    edge_points,
    lay_down,
    make_scene,
    posed_camera,
    random_key,
    random_scene,
    scene_truth,
)
from tests.scene.key import blade_plan, blade_prism, pitch_rad
from tests.scene.outline import LOWER, UPPER, WALL, project_plan, project_prism, signed_area, winding
from tests.scene.raster import coverage
from tests.scene.render import to_linear
from tests.scene.truth import CARD_MM

Array = NDArray[np.float64]

KEY = KeySpec(
    cuts=(CutSpec("a", 6.0, 6.2), CutSpec("a", 10.0, 5.0), CutSpec("a", 14.0, 7.1), CutSpec("a", 18.0, 5.4)),
    thickness_mm=2.6,
    head_thickness_mm=2.6,
    head_width_mm=20.0,
)
CLEAN = Look(noise_grey=0.3, blur_px=1.0)
SIZE_PX = (1600, 1200)


def scene_from(azimuth_deg: float, tilt_deg: float = 25.0, yaw_deg: float = 13.0, k1: float = -0.03) -> Scene:
    camera = posed_camera(
        2400.0, (803.0, 596.0), distance_mm=200.0, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg, roll_deg=21.0,
        target_mm=(0.0, 20.0), k1=k1,
    )  # fmt: skip
    return make_scene(KEY, lay_down(KEY, (8.0, 44.0), yaw_deg), camera, SIZE_PX, look=CLEAN)


def edge_offset_px(scene: Scene, truth_px: Array, reach_px: float) -> float:
    """How far the rendered edge lies from the true one, by one erf through all pixels near a nearly straight edge."""
    assert scene.photo is not None
    start, end = truth_px[0], truth_px[-1]
    along = (end - start) / np.linalg.norm(end - start)
    normal = np.array([-along[1], along[0]])
    low, high = np.floor(truth_px.min(axis=0) - 10).astype(int), np.ceil(truth_px.max(axis=0) + 10).astype(int)
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
    pixel = np.stack([x, y], axis=-1) - start
    stations, bend = (truth_px - start) @ along, (truth_px - start) @ normal
    distance = pixel @ normal - np.interp(pixel @ along, stations, bend)
    near = (np.abs(distance) < reach_px) & (pixel @ along > 3) & (pixel @ along < stations[-1] - 3)
    light = to_linear(scene.photo.pixels[low[1] : high[1], low[0] : high[0]]).sum(axis=-1)

    def step(d: Array, base: float, rise: float, at: float, sigma: float) -> Array:
        return np.asarray(base + rise * erf((d - at) / (np.sqrt(2) * sigma)))

    values = light[near]
    guess = (values.mean(), (values[distance[near] > 2].mean() - values[distance[near] < -2].mean()) / 2, 0.0, 1.0)
    return float(curve_fit(step, distance[near], values, guess)[0][2])


def back_edge(scene: Scene, z_mm: float) -> Array:
    """The straight uncut edge on one rim, clear of shoulder and tip."""
    plan = np.column_stack([np.linspace(2, 22, 41), np.zeros(41)])
    return project_plan(plan, z_mm, scene.truth.pose, scene.truth.camera)


# --- pictures -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("azimuth_deg", [80.0, 103.0, 130.0])
@pytest.mark.parametrize("k1", [-0.05, 0.05])
def test_averted_edge_is_drawn_where_the_upper_rim_projects(azimuth_deg: float, k1: float) -> None:
    scene = scene_from(azimuth_deg, k1=k1)  # the camera stands on edge a's side: edge b is the far one
    assert abs(edge_offset_px(scene, back_edge(scene, KEY.thickness_mm), 5.0)) < 0.02  # px, asked for by this project


@pytest.mark.parametrize("azimuth_deg", [270.0, 283.0, 310.0])
@pytest.mark.parametrize("rim", ["upper", "lower"])
def test_facing_edge_shows_both_rims_where_they_project(azimuth_deg: float, rim: str) -> None:
    scene = scene_from(azimuth_deg, tilt_deg=35.0)  # the wall is 17 px wide: its two edges do not blur into each other
    assert abs(edge_offset_px(scene, back_edge(scene, KEY.thickness_mm if rim == "upper" else 0.0), 5.0)) < 0.02


@pytest.mark.parametrize("roll_deg", [0.0, 7.0, 31.0])
def test_card_side_is_drawn_where_it_projects(roll_deg: float) -> None:
    camera = posed_camera(2400.0, (803.0, 596.0), distance_mm=200.0, tilt_deg=20.0, azimuth_deg=90.0, roll_deg=roll_deg)
    scene = make_scene(KEY, lay_down(KEY, (8.0, 46.0), 0.0), camera, SIZE_PX, look=CLEAN)
    line = [[x, -CARD_MM[1] / 2, CARD_MM[2]] for x in np.linspace(-36, 36, 60)]  # the side away from the camera
    assert abs(edge_offset_px(scene, camera.project(np.array(line)), 4.0)) < 0.02


@pytest.mark.parametrize("look", [Look(table=(0.05, 0.05, 0.05), shadow=0.0), Look(blur_px=1.6), Look(blur_px=0.7)])
def test_edge_does_not_move_with_contrast_or_blur(look: Look) -> None:
    scene = scene_from(103.0)
    other = make_scene(KEY, scene.truth.pose, scene.truth.camera, SIZE_PX, look=replace(look, noise_grey=0.3))
    assert abs(edge_offset_px(other, back_edge(scene, KEY.thickness_mm), 5.0)) < 0.02


def test_photo_tells_size_and_focal_length() -> None:
    scene = random_scene(np.random.default_rng(5), px_per_mm=7.0, focal_35mm=50.0)
    assert scene.photo is not None
    assert (scene.photo.width_px, scene.photo.height_px) == scene.size_px
    assert scene.photo.focal_35mm == 50.0
    untold = random_scene(np.random.default_rng(5), px_per_mm=7.0, focal_35mm=50.0, exif=False)
    assert untold.photo is not None
    assert untold.photo.focal_35mm is None


def test_everything_on_at_once_still_draws() -> None:
    look = Look(surface="ruled", art="stripe", brushed=0.05, shadow=0.5, sharpen=0.8, jpeg_quality=85)
    key = replace(KEY, grooves_mm=((2.0, 3.0),), head="plastic", head_thickness_mm=9.0)
    scene = scene_from(103.0)
    photo = make_scene(key, lay_down(key, (8.0, 46.0), 13.0), scene.truth.camera, SIZE_PX, look=look).photo
    assert photo is not None
    plain = scene.photo
    assert plain is not None
    assert np.mean(np.abs(photo.pixels.astype(int) - plain.pixels)) > 1  # grey levels


# --- coverage -------------------------------------------------------------------------------------------------------


def test_box_covers_its_pixels_by_the_part_that_lies_in_them() -> None:
    box = np.array([[1.0, 0.75], [3.25, 0.75], [3.25, 2.5], [1.0, 2.5]])
    down = np.array([0.0, 0.75, 1.0, 0.0])  # rows cover -0.5 to 0.5, 0.5 to 1.5 and so on
    across = np.array([0.0, 0.5, 1.0, 0.75, 0.0])
    np.testing.assert_allclose(coverage([box], (4, 5)), np.outer(down, across), atol=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_coverage_sums_up_to_the_polygon_area(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * np.pi, 40))
    star = np.array([60.0, 50.0]) + rng.uniform(15, 45, 40)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    covered = float(coverage([star[::-1]], (100, 120)).sum())
    assert covered == pytest.approx(abs(signed_area(star)), abs=1.0)  # px of about 2500: an edge error below 0.003 px


def test_union_and_overlap_count_each_point_once() -> None:
    box = np.array([[10.0, 10.0], [30.0, 10.0], [30.0, 20.0], [10.0, 20.0]])
    both = [box, box + np.array([10, 5])]
    assert coverage(both, (40, 50)).sum() == pytest.approx(350, rel=1e-4)  # 200 + 200 - 50
    assert coverage(both, (40, 50), at_least=2).sum() == pytest.approx(50, rel=1e-4)


def test_shape_beyond_the_picture_is_cut_off() -> None:
    box = np.array([[-20.5, -20.5], [4.5, -20.5], [4.5, 4.5], [-20.5, 4.5]])
    assert coverage([box], (10, 10)).sum() == pytest.approx(25, rel=1e-6)
    assert coverage([box - 30], (10, 10)).sum() == 0


# --- outlines -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fixed", [{}, {"lie": "flat", "stop": "tip"}, {"wear_radius_mm": 0.4}])
@pytest.mark.parametrize("seed", range(8))
def test_outline_holds_the_same_area_as_all_walls_and_faces_together(seed: int, fixed: dict[str, Any]) -> None:
    scene = random_scene(np.random.default_rng(seed), picture=False, tilt_deg=30.0, px_per_mm=9.0, **fixed)
    truth = scene.truth
    pieces = []
    for upper, lower in ((truth.blade_upper_px, truth.blade_lower_px), (truth.head_upper_px, truth.head_lower_px)):
        after = np.stack([np.roll(upper, -1, axis=0), np.roll(lower, -1, axis=0)])
        pieces += [upper, lower, *np.stack([upper, after[0], after[1], lower], axis=1)]
    low = truth.outline_px.min(axis=0) - 2
    shape = tuple(np.ceil(np.ptp(truth.outline_px, axis=0) + 4).astype(int)[::-1])
    together = coverage([piece - low for piece in pieces], (int(shape[0]), int(shape[1])))
    own = coverage([truth.outline_px - low], (int(shape[0]), int(shape[1])))
    assert float(np.abs(together - own).max()) < 0.05  # of one pixel: no pixel holds another shape
    assert float(together.sum()) == pytest.approx(signed_area(truth.outline_px), rel=2e-5)


def test_outline_names_its_rims() -> None:
    scene = scene_from(280.0, tilt_deg=35.0)  # the camera looks at edge b
    truth, middle = scene.truth, back_edge(scene, 0.0)[20]
    nearest = int(np.argmin(np.linalg.norm(truth.outline_px - middle, axis=1)))
    assert truth.outline_rim[nearest] == LOWER
    assert {LOWER, UPPER, WALL} == set(truth.outline_rim.tolist())


def test_projection_agrees_with_opencv() -> None:
    scene = random_scene(np.random.default_rng(3), picture=False, k1=0.05)
    camera, truth = scene.truth.camera, scene.truth
    matrix = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1]])
    world = truth.pose.to_world(np.column_stack([truth.blade_mm, np.full(len(truth.blade_mm), truth.up_mm)]))
    turn = cv2.Rodrigues(camera.rotation)[0]
    seen = cv2.projectPoints(world, turn, camera.translation_mm, matrix, np.array([camera.k1, 0, 0, 0]))[0]
    np.testing.assert_allclose(truth.blade_upper_px, seen.reshape(-1, 2), atol=1e-6)  # OpenCV's own camera model


def test_edge_points_scatter_as_told_and_point_outward() -> None:
    truth = scene_from(103.0).truth
    found = edge_points(truth.outline_px, truth.outline_rim, np.random.default_rng(0), step_px=0.5, sigma_px=0.2)
    polygon = truth.outline_px.astype(np.float32).reshape(-1, 1, 2)
    away = [cv2.pointPolygonTest(polygon, (float(x), float(y)), True) for x, y in found.points_px]
    assert np.std(away) == pytest.approx(0.2, rel=0.1)  # corners and chance: 4000 points give 1 %
    exact = edge_points(truth.outline_px, truth.outline_rim, np.random.default_rng(0), step_px=5.0, sigma_px=0.0)
    assert np.all(winding(exact.points_px + 0.01 * exact.outward_px, [truth.outline_px]) == 0)
    assert np.all(winding(exact.points_px - 0.01 * exact.outward_px, [truth.outline_px]) == 1)


def test_correlated_edge_noise_keeps_its_size() -> None:
    truth = scene_from(103.0).truth
    rng = np.random.default_rng(1)
    clean = edge_points(truth.outline_px, truth.outline_rim, rng, sigma_px=0.0)
    rough = edge_points(truth.outline_px, truth.outline_rim, rng, sigma_px=0.3, correlation_px=4.0)
    noise = np.sum((rough.points_px - clean.points_px) * clean.outward_px, axis=1)
    assert np.std(noise) == pytest.approx(0.3, rel=0.2)  # some 150 independent stretches
    assert np.corrcoef(noise[:-2], noise[2:])[0, 1] > 0.8


# --- keys -----------------------------------------------------------------------------------------------------------


def test_heights_are_those_of_the_cuts() -> None:
    x = np.array([6.0, 9.6, 10.4, 12.0, 3.0])
    peak = 5.0 + (12.0 - 10.5) * 1.0  # the deeper neighbour's flank at 45 degrees, half a spacing on
    np.testing.assert_allclose(KEY.height_mm("a", x), [6.2, 5.0, 5.0, peak, 8.0])
    np.testing.assert_allclose(KEY.height_mm("b", x), 8.0)


def test_tip_stop_counts_from_the_tip() -> None:
    key = replace(KEY, stop="tip", step_a_mm=0.0, collar_mm=0.0)
    truth = scene_truth(key, lay_down(key, (0.0, 45.0), 0.0), scene_from(103.0).truth.camera)
    assert truth.height_mm("a", np.array([10.0]))[0] == pytest.approx(5.0)
    assert key.height_mm("a", np.array([key.length_mm - 10.0]))[0] == pytest.approx(5.0)


def test_wear_only_removes_metal_and_spares_roots() -> None:
    worn, x = replace(KEY, wear_radius_mm=0.5), np.linspace(0, KEY.length_mm, 2000)
    lost = KEY.height_mm("a", x) - worn.height_mm("a", x)
    assert lost.min() > -0.001  # mm, the thinning of the worn edge
    peak = np.abs(x - 13.05) < 0.1  # flanks from 10.5 mm at 5.0 and from 13.5 mm at 7.1 meet there at 90 degrees
    assert lost[peak].max() == pytest.approx(0.5 * (np.sqrt(2) - 1), abs=0.01)  # of a right-angled corner's rounding
    roots = np.array([cut.position_mm for cut in KEY.cuts])
    np.testing.assert_allclose(worn.height_mm("a", roots), KEY.height_mm("a", roots), atol=0.001)


def test_worn_peak_is_rounded_to_the_radius() -> None:
    key = KeySpec(cuts=(CutSpec("a", 10.0, 5.0), CutSpec("a", 14.0, 5.0)), wear_radius_mm=0.5)
    sharp = 5.0 + (12.0 - 10.5)
    assert key.height_mm("a", np.array([12.0]))[0] == pytest.approx(sharp - 0.5 * (np.sqrt(2) - 1), abs=0.002)


def test_cut_without_a_flat_of_its_own_is_refused() -> None:
    with pytest.raises(ValueError, match=r"position_mm=6\.0.*has no flat of its own"):
        replace(KEY, cuts=(CutSpec("a", 6.0, 7.9), CutSpec("a", 7.0, 4.0)))


@pytest.mark.parametrize("face_up", ["a", "b"])
@pytest.mark.parametrize(("head", "thick_mm"), [("metal", 2.6), ("metal", 3.2), ("plastic", 9.0)])
def test_key_rests_on_the_table(face_up: Literal["a", "b"], head: Literal["metal", "plastic"], thick_mm: float) -> None:
    key = replace(KEY, head=head, head_thickness_mm=thick_mm)
    pose = lay_down(key, (3.0, 40.0), 70.0, face_up)
    bottom = 0.0 if face_up == "a" else key.thickness_mm
    z = pose.to_world(np.column_stack([blade_plan(key), np.full(len(blade_plan(key)), bottom)]))[:, 2]
    assert z.min() == pytest.approx(0.3 if thick_mm == 3.2 else 0.0, abs=1e-9)
    sloped = np.degrees(np.arcsin(-pose.rotation[2, 0]))
    assert sloped == pytest.approx(np.degrees(pitch_rad(key)) if head == "plastic" else 0.0)
    assert np.linalg.det(pose.rotation) == pytest.approx(1.0)


# --- random scenes --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(25))
def test_random_scene_is_whole_and_as_fixed(seed: int) -> None:
    scene = random_scene(np.random.default_rng(seed), picture=False, edges=2, lie="pitched", tilt_deg=20.0)
    truth = scene.truth
    assert truth.edges == 2
    assert truth.camera.tilt_deg == pytest.approx(20.0)
    assert 4.5 < np.degrees(pitch_rad(truth.key)) < 9.5
    points = np.vstack([truth.outline_px, truth.card_corners_px])
    assert points.min() > 0
    assert np.all(points < np.array(scene.size_px))
    assert not np.any(winding(truth.outline_px, [truth.card_outline_px[::-1]]))


@pytest.mark.parametrize("face_up", ["a", "b"])
@pytest.mark.parametrize("edges", [1, 2])
def test_edge_a_is_the_cut_one_or_the_upper_one_with_the_tip_turned_right(face_up: str, edges: int) -> None:
    truth = random_scene(np.random.default_rng(8), picture=False, edges=edges, face_up=face_up).truth
    start, end = truth.axis_px
    along = (end - start) / np.linalg.norm(end - start)
    up = np.array([along[1], -along[0]])  # what is up once the tip is turned right
    side = [float((cut.upper_px - start) @ up) for cut in truth.cuts if cut.edge == "a"]
    wanted = 1 if edges == 2 or face_up == "a" else -1
    assert side
    assert all(wanted * s > 0 for s in side)


def test_random_keys_stay_in_their_range_and_keep_every_root() -> None:
    rng = np.random.default_rng(2)
    for _ in range(60):
        key = random_key(rng)
        assert 5.5 <= key.width_mm <= 10
        assert 20 <= key.length_mm <= 35
        assert 3 <= len([cut for cut in key.cuts if cut.edge == "a"]) <= 11
        assert signed_area(blade_plan(key)) > 0
        for cut in key.cuts:
            x = np.array([float(key.x_of(cut.position_mm))])
            assert key.height_mm(cut.edge, x)[0] == pytest.approx(cut.root_mm)


def test_head_decides_how_the_key_lies() -> None:
    rng = np.random.default_rng(4)
    assert {random_key(rng, head="plastic").head_thickness_mm > 8 for _ in range(10)} == {True}
    assert {random_key(rng, head="metal").head_thickness_mm > 8 for _ in range(10)} == {False}


def test_same_seed_gives_the_same_scene() -> None:
    one, two = (random_scene(np.random.default_rng(9), px_per_mm=7.0, focal_35mm=50.0) for _ in range(2))
    assert one.photo is not None
    assert two.photo is not None
    assert one.photo.sha256 == two.photo.sha256


def test_names_of_key_camera_and_look_do_not_clash() -> None:
    assert not set(KeySpec.__dataclass_fields__) & set(Look.__dataclass_fields__)
    scene = random_scene(np.random.default_rng(0), picture=False, head="plastic", head_colour=(0.5, 0.5, 0.5))
    assert (scene.truth.key.head, scene.look.head_colour) == ("plastic", (0.5, 0.5, 0.5))


def test_unknown_name_is_refused() -> None:
    with pytest.raises(TypeError, match=r"random_scene has no \['widht_mm'\]"):
        random_scene(np.random.default_rng(0), widht_mm=8.0)


def test_camera_that_cannot_see_all_is_refused() -> None:
    with pytest.raises(ValueError, match=r"no camera with .*distance_mm.* sees all"):
        random_scene(np.random.default_rng(0), picture=False, distance_mm=60.0, focal_35mm=52.0)


def test_posed_camera_stands_where_it_is_told() -> None:
    camera = posed_camera(
        2000.0, (800.0, 600.0), distance_mm=250.0, tilt_deg=17.0, azimuth_deg=40.0, target_mm=(5.0, 9.0)
    )  # fmt: skip
    assert camera.tilt_deg == pytest.approx(17.0)
    np.testing.assert_allclose(camera.project(np.array([5.0, 9.0, 0.0])), [800.0, 600.0], atol=1e-9)
    assert np.linalg.norm(camera.position_mm - [5.0, 9.0, 0.0]) == pytest.approx(250.0)
    assert np.degrees(np.arctan2(camera.position_mm[1] - 9.0, camera.position_mm[0] - 5.0)) == pytest.approx(40.0)


def test_walls_face_the_camera_on_its_side_only() -> None:
    scene = scene_from(90.0, tilt_deg=30.0, yaw_deg=0.0)  # the camera stands on edge a's side
    solid = project_prism(blade_prism(KEY), scene.truth.pose, scene.truth.camera)
    back = (np.abs(solid.plan_mm[:, 1]) < 1e-9) & (np.roll(np.abs(solid.plan_mm[:, 1]), -1) < 1e-9)
    assert back.sum() > 10
    assert not solid.facing[back].any()
