"""The blade in its own frame: from exact outlines, so that only the reduction itself is judged, and from pictures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from keyid.blades.blade import Blade, BudgetLine
from keyid.blades.blade_frame import TIP_POINTS
from keyid.blades.blade_measure import measure_blade
from keyid.blades.cuts import find_cuts
from keyid.blades.datum import (
    FEW_POINTS,
    LAND_U_MM,
    LINE_U_MM,
    NO_LAND_U_MM,
    foremost,
    land_line,
    on_one_edge,
    robust_slope,
    uncut_line,
)
from keyid.outlines.outline import Outline
from keyid.scales.camera import Camera
from keyid.scales.scale import Variation
from tests.scene import CutSpec, KeySpec, Scene
from tests.unit.known_scene import KEY, STATION_MM, VIEWS, exact_outline, moved_focal, scale_of, view_of, viewed

Array = NDArray[np.float64]

TIP_STOP = KeySpec(
    stop="tip",
    length_mm=27.0,
    width_mm=8.4,
    cuts=tuple(CutSpec(e, p, r) for e in ("a", "b") for p, r in ((5.0, 7.4), (8.0, 6.9), (11.0, 7.4), (14.0, 7.9))),
    step_a_mm=0.0,
    step_b_mm=0.0,
    collar_mm=0.0,
    tip="rounded",
    tip_reach_mm=2.0,
)
UNCUT = replace(KEY, cuts=())
PLASTIC = replace(KEY, head="plastic", head_thickness_mm=9.6, head_length_mm=40.0)
ROUNDING_MM = 0.01  # stations every 0.08 mm on a round tip, a frame from two of its points: all well below u


def measured(scene: Scene, variations: tuple[Variation, ...] = (), outline: Outline | None = None) -> Blade:
    return measure_blade(outline or exact_outline(scene), scale_of(scene, variations))[0]


def lines(blade: Blade, source: str) -> list[BudgetLine]:
    return [line for line in blade.budget if line.source == source]


# --- what an exact outline gives -------------------------------------------------------------------------------------


@pytest.mark.parametrize("face_up", ["a", "b"])
@pytest.mark.parametrize("view", VIEWS)
def test_width_length_stop_and_edges_of_a_one_edged_key(view: tuple[float, float, float], face_up: str) -> None:
    tilt, azimuth, yaw = view
    blade = measured(view_of(tilt_deg=tilt, azimuth_deg=azimuth, yaw_deg=yaw, face_up=face_up, picture=False))
    assert (blade.stop, blade.edges) == ("shoulder", 1)
    assert blade.width.mm == pytest.approx(KEY.width_mm, abs=ROUNDING_MM)
    assert blade.length is not None
    assert blade.length.mm == pytest.approx(KEY.length_mm, abs=ROUNDING_MM)


@pytest.mark.parametrize("face_up", ["a", "b"])
def test_heights_are_those_of_the_key(face_up: str) -> None:
    scene = view_of(tilt_deg=18.0, azimuth_deg=75.0, yaw_deg=110.0, face_up=face_up, picture=False)
    blade = measured(scene)
    for name, trace in (("a", blade.a), ("b", blade.b)):
        truth = scene.truth.height_mm("a" if name == "a" else "b", trace.x_mm)
        clear = (trace.x_mm > 0.1) & (trace.x_mm < KEY.length_mm - 0.7)
        np.testing.assert_allclose(trace.height_mm[clear], truth[clear], atol=ROUNDING_MM)
        assert clear.sum() > 200
        assert np.all(np.diff(trace.x_mm) > 0)


def test_a_tip_stop_counts_from_the_tip() -> None:
    scene = view_of(TIP_STOP, tilt_deg=10.0, azimuth_deg=30.0, yaw_deg=15.0, picture=False)
    blade = measured(scene)
    assert (blade.stop, blade.edges) == ("tip", 2)
    assert blade.length is None  # the head hides where the blade ends
    assert blade.width.mm == pytest.approx(TIP_STOP.width_mm, abs=ROUNDING_MM)
    for name, trace in (("a", blade.a), ("b", blade.b)):
        truth = scene.truth.height_mm("a" if name == "a" else "b", trace.x_mm)
        clear = (trace.x_mm > 0.8) & (trace.x_mm < TIP_STOP.length_mm - 0.5)
        np.testing.assert_allclose(trace.height_mm[clear], truth[clear], atol=ROUNDING_MM)


def test_of_two_cut_edges_the_upper_one_is_a() -> None:
    last = TIP_STOP.cuts[-1]
    key = replace(TIP_STOP, cuts=(*TIP_STOP.cuts[:-1], replace(last, root_mm=last.root_mm - 0.25)))
    for face_up in ("a", "b"):
        scene = view_of(key, face_up=face_up, picture=False)
        blade = measured(scene)
        roots = [cut.root.mm for cut in find_cuts(blade) if cut.edge == "a"]
        true = [cut.root_mm for cut in scene.truth.cuts if cut.edge == "a"]
        np.testing.assert_allclose(roots, true, atol=ROUNDING_MM)


def test_a_blank_has_no_cut_edges() -> None:
    blade = measured(view_of(UNCUT, tilt_deg=5.0, picture=False))
    assert blade.edges is None
    assert blade.stop == "shoulder"
    assert find_cuts(blade) == ()


def test_an_edge_that_is_seen_ragged_is_not_cut_and_less_sure() -> None:
    scene = view_of(UNCUT, picture=False)
    outline = exact_outline(scene)
    rng = np.random.default_rng(4)
    astray = rng.choice([0.0, -0.45], len(outline.upper.v_mm), p=[0.83, 0.17])  # singly or a few in a row
    rough = replace(outline.upper, v_mm=outline.upper.v_mm + astray + rng.normal(0, 0.1, len(astray)))
    clean, blade = (measured(scene, outline=one) for one in (outline, replace(outline, upper=rough)))
    assert blade.edges is None
    assert abs(blade.width.mm - UNCUT.width_mm) < 3 * blade.width.u_mm
    assert blade.width.u_mm > 1.5 * clean.width.u_mm
    assert blade.height_common_u_mm > clean.height_common_u_mm


def test_noise_averages_out_of_the_uncut_lines() -> None:
    scene = view_of(picture=False)
    blade = measured(scene, outline=exact_outline(scene, noise_mm=0.02))
    # The uncut line is the median of over 200 points: 0.02 * 1.25 / sqrt(200) = 0.002 mm; the cut edge's lands have
    # some thirty: 0.02 * 1.25 / sqrt(30) = 0.005, and picking the highest adds to that.
    assert blade.width.mm == pytest.approx(KEY.width_mm, abs=0.025)
    assert np.nanmedian(blade.a.u_mm) == pytest.approx(0.02)


@given(
    yaw=st.floats(0, 360), azimuth=st.floats(0, 360), tilt=st.floats(0, 25),
    x=st.floats(-15, 15), y=st.floats(45, 70), face_up=st.sampled_from(["a", "b"]),
)  # fmt: skip
@settings(max_examples=30, deadline=None)
def test_moving_and_turning_a_key_does_not_change_it(
    yaw: float, azimuth: float, tilt: float, x: float, y: float, face_up: str
) -> None:
    scene = view_of(tilt_deg=tilt, azimuth_deg=azimuth, yaw_deg=yaw, at_mm=(x, y), face_up=face_up, picture=False)
    blade = measured(scene)
    assert blade.length is not None
    assert blade.length.mm == pytest.approx(KEY.length_mm, abs=min(ROUNDING_MM, blade.length.u_mm))
    assert blade.width.mm == pytest.approx(KEY.width_mm, abs=min(ROUNDING_MM, blade.width.u_mm))
    cuts = find_cuts(blade)
    np.testing.assert_allclose([c.position.mm for c in cuts], [c.position_mm for c in KEY.cuts], atol=ROUNDING_MM)
    np.testing.assert_allclose([c.root.mm for c in cuts], [c.root_mm for c in KEY.cuts], atol=ROUNDING_MM)


@pytest.mark.parametrize("crooked_mm", [-0.7, 0.7])
def test_stations_are_even_in_a_crooked_frame_too(crooked_mm: float) -> None:
    """Cuts are found by counting stations: a per cent lost at each of them would be another blade's spacing."""
    scene = view_of(TIP_STOP, tilt_deg=10.0, azimuth_deg=30.0, yaw_deg=15.0, picture=False)
    blade = measured(scene, outline=exact_outline(scene, crooked_mm=crooked_mm))
    for name, trace in (("a", blade.a), ("b", blade.b)):
        np.testing.assert_allclose(np.diff(trace.x_mm), STATION_MM, atol=1e-9)
        truth = scene.truth.height_mm("a" if name == "a" else "b", trace.x_mm)
        clear = (trace.x_mm > 0.8) & (trace.x_mm < TIP_STOP.length_mm - 0.5)
        np.testing.assert_allclose(trace.height_mm[clear], truth[clear], atol=STATION_MM / 2)


@pytest.mark.parametrize("crooked_mm", [-0.2, 0.2])
def test_a_crooked_frame_does_not_change_a_key(crooked_mm: float) -> None:
    scene = view_of(tilt_deg=10.0, azimuth_deg=60.0, yaw_deg=30.0, picture=False)
    blade = measured(scene, outline=exact_outline(scene, crooked_mm=crooked_mm))  # 0.4 deg: straightening leaves 0.15
    assert blade.width.mm == pytest.approx(KEY.width_mm, abs=ROUNDING_MM)
    cuts = find_cuts(blade)
    np.testing.assert_allclose([cut.root.mm for cut in cuts], [cut.root_mm for cut in KEY.cuts], atol=ROUNDING_MM)
    apart = np.diff([cut.position.mm for cut in cuts])
    np.testing.assert_allclose(apart, np.diff([cut.position_mm for cut in KEY.cuts]), atol=ROUNDING_MM)


@given(yaw=st.floats(0, 360), tilt=st.floats(0, 25))
@settings(max_examples=10, deadline=None)
def test_a_sloping_key_measures_as_long_as_a_flat_one(yaw: float, tilt: float) -> None:
    blade = measured(view_of(PLASTIC, tilt_deg=tilt, azimuth_deg=40.0, yaw_deg=yaw, picture=False))
    assert blade.length is not None
    # The lie takes the bow's height from a length a little off: 1 - cos(8 deg) of 3 mm, seen from 220 mm away.
    assert blade.length.mm == pytest.approx(KEY.length_mm, abs=0.03)
    assert blade.width.mm == pytest.approx(KEY.width_mm, abs=0.02)


# --- the way back to the photo ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", [KEY, TIP_STOP])
@pytest.mark.parametrize("face_up", ["a", "b"])
def test_roots_are_drawn_where_they_are_seen(key: KeySpec, face_up: str) -> None:
    scene = view_of(key, tilt_deg=20.0, azimuth_deg=75.0, yaw_deg=200.0, face_up=face_up, picture=False)
    _, frame = measure_blade(exact_outline(scene), scale_of(scene))
    for cut in scene.truth.cuts:
        px = frame.to_px(np.array([cut.position_mm]), np.array([cut.root_mm]), cut.edge)
        np.testing.assert_allclose(px[0], cut.upper_px, atol=0.2)  # px: 0.015 mm


def test_the_axis_runs_through_the_middle_of_the_blade() -> None:
    scene = view_of(tilt_deg=20.0, azimuth_deg=75.0, yaw_deg=200.0, picture=False)
    _, frame = measure_blade(exact_outline(scene), scale_of(scene))
    np.testing.assert_allclose(frame.axis_px, scene.truth.axis_px, atol=0.2)


# --- the budget ------------------------------------------------------------------------------------------------------


def test_a_longer_lens_shrinks_everything_alike() -> None:
    scene = view_of(tilt_deg=10.0, azimuth_deg=60.0, yaw_deg=30.0, picture=False)
    longer = Variation("focal length", moved_focal(scene.truth.camera, 1.001))
    (line,) = lines(measured(scene, (longer,)), "focal length")
    # Similar triangles: the same pixels through a lens 0.1 % longer are 0.1 % less; 3 % for perspective and rounding.
    assert line.length_mm == pytest.approx(-0.001 * KEY.length_mm, rel=0.03)
    assert line.width_mm == pytest.approx(-0.001 * KEY.width_mm, rel=0.03)
    assert line.stretch == pytest.approx(-0.001, rel=0.03)
    assert 0.0 < line.height_mm < 0.0011 * KEY.width_mm


@pytest.mark.parametrize("factor", [0.998, 1.003])
def test_the_budget_is_linear_in_what_is_moved(factor: float) -> None:
    scene = view_of(tilt_deg=10.0, azimuth_deg=60.0, picture=False)
    moved = Variation("focal length", moved_focal(scene.truth.camera, factor))
    (line,) = lines(measured(scene, (moved,)), "focal length")
    assert line.stretch == pytest.approx(1 / factor - 1, rel=0.03)


def test_a_camera_further_away_makes_the_blade_larger() -> None:
    scene = view_of(picture=False)
    camera = scene.truth.camera
    lifted = Camera(
        camera.focal_px, camera.centre_px, camera.k1, camera.rotation, camera.translation_mm + np.array([0.0, 0.0, 1.0])
    )
    (line,) = lines(measured(scene, (Variation("pose", lifted),)), "pose")
    reach = 220.0 - KEY.thickness_mm  # to the upper face
    assert line.stretch == pytest.approx(1 / reach, rel=0.03)
    assert line.width_mm == pytest.approx(KEY.width_mm / reach, rel=0.03)


def test_a_variation_that_moves_nothing_adds_nothing() -> None:
    scene = view_of(tilt_deg=10.0, picture=False)
    (line,) = lines(measured(scene, (Variation("pose", scene.truth.camera),)), "pose")
    for value in (line.length_mm, line.width_mm, line.height_mm, line.stretch):
        assert abs(value) < 1e-4  # rounding of the frame


def test_height_matters_as_perspective_says() -> None:
    scene = view_of(picture=False)
    blade = measure_blade(exact_outline(scene, thickness_u_mm=0.4), scale_of(scene))[0]
    (thickness,), (lift,) = lines(blade, "thickness"), lines(blade, "height")
    # A face that lies dz higher is dz / distance smaller; the distance is 217.4 mm, the lift's uncertainty 0.15 mm.
    assert thickness.length_mm == pytest.approx(-KEY.length_mm * 0.4 / 217.4, rel=0.05)
    assert lift.length_mm == pytest.approx(-KEY.length_mm * 0.15 / 217.4, rel=0.05)


def test_uncertainties_are_the_root_sum_of_the_budgets_squares() -> None:
    scene = view_of(tilt_deg=10.0, azimuth_deg=60.0, picture=False)
    camera = scene.truth.camera
    few = measured(scene)
    many = measured(scene, tuple(Variation("focal length", moved_focal(camera, f)) for f in (1.01, 0.99)))
    for blade in (few, many):
        assert blade.length is not None
        assert blade.length.u_mm == pytest.approx(np.sqrt(sum(line.length_mm**2 for line in blade.budget)))
        assert blade.width.u_mm == pytest.approx(np.sqrt(sum(line.width_mm**2 for line in blade.budget)))
        assert blade.stretch_u == pytest.approx(np.sqrt(sum(line.stretch**2 for line in blade.budget)))
    # JCGM 100:2008, 5.1.2: two independent inputs of 1 % each are 1.4 % together.
    added = np.sqrt(many.stretch_u**2 - few.stretch_u**2)
    assert added == pytest.approx(0.01 * np.sqrt(2), rel=0.03)


# --- small parts -----------------------------------------------------------------------------------------------------


@given(st.floats(-0.1, 0.1), st.floats(-20, 20))
def test_points_astray_do_not_turn_the_axis(slope: float, level: float) -> None:
    x = np.linspace(0, 20, 120)
    y = level + slope * x + 0.01 * np.random.default_rng(1).standard_normal(120)
    y[50:70] += 0.8  # a burr or a shadow on a sixth of the edge
    # Least squares on all points would give 0.0006 of slope here for a shift of the middle sixth and more elsewhere;
    # a slope's uncertainty is 0.01 / (sqrt(120) * 5.8) = 0.00016.
    assert robust_slope(x, y) == pytest.approx(slope, abs=0.0006)


def test_an_end_astray_turns_least_squares_but_not_the_axis() -> None:
    x = np.linspace(0, 20, 120)
    y = 0.02 * x + 0.01 * np.random.default_rng(1).standard_normal(120)
    y[-20:] += 0.8
    assert abs(np.polyfit(x, y, 1)[0] - 0.02) > 0.02
    assert robust_slope(x, y) == pytest.approx(0.02, abs=0.001)


def test_too_few_points_have_no_slope() -> None:
    x = np.arange(FEW_POINTS - 1.0)
    assert robust_slope(x, x) == 0.0


def land_of(across: Array) -> tuple[float, float]:
    return land_line(across, np.full(len(across), 0.02), STATION_MM * np.arange(len(across)))


def test_the_lands_are_the_highest_level_stretches() -> None:
    across = np.concatenate([np.full(30, 3.5), np.linspace(3.5, 2.0, 15), np.full(12, 2.0), np.linspace(2.0, 3.5, 15)])
    spike = np.concatenate([across, [3.9], np.full(20, 3.48)])
    assert land_of(across)[0] == pytest.approx(3.5)
    assert land_of(spike)[0] == pytest.approx(3.5, abs=0.02)  # one point isn't a land


def test_where_cuts_took_all_lands_the_stretch_at_the_shoulder_stays() -> None:
    across = np.concatenate([np.full(5, 4.0), np.linspace(4.0, 2.0, 20), np.full(15, 2.0), np.full(20, 2.6)])
    assert land_of(across) == (pytest.approx(4.0), LAND_U_MM)


def test_a_stretch_at_the_shoulder_far_above_all_metal_is_none_of_the_blade() -> None:
    """A ruled line runs on from the corner: no cuts of a key leave nothing within 2.3 mm of its uncut edge."""
    across = np.concatenate([np.full(5, 6.3), np.full(20, 4.0), np.linspace(4.0, 2.0, 20), np.full(15, 2.0)])
    assert land_of(across)[0] == pytest.approx(4.0)


def test_a_stretch_at_the_shoulder_that_may_lie_anywhere_is_no_land() -> None:
    across = np.concatenate([np.full(8, 4.5), np.linspace(4.5, 4.0, 6), np.full(60, 4.0), np.linspace(4.0, 2.0, 20)])
    for unsure, level in ((0.1, 4.5), (NO_LAND_U_MM, 4.0)):
        u_mm = np.where(across > 4.1, unsure, 0.02)
        assert land_line(across, u_mm, STATION_MM * np.arange(len(across)))[0] == pytest.approx(level)


def test_a_clear_stretch_at_the_shoulder_is_surer_than_lands_that_may_be_a_walls_foot() -> None:
    across = np.concatenate([np.full(8, 3.7), np.linspace(3.7, 2.0, 20), np.full(10, 2.0), np.full(60, 4.1)])
    for unsure, level in ((0.25, 3.7), (0.1, 4.1)):
        u_mm = np.where(across > 3.8, unsure, 0.02)
        assert land_line(across, u_mm, STATION_MM * np.arange(len(across)))[0] == pytest.approx(level)


def test_where_cuts_took_every_land_the_highest_metal_left_is_told_with_less_certainty() -> None:
    """A flank that starts at the shoulder from 4.0, a peak of 3.6 and a long root: the root is flat, but no land."""
    peak = (np.linspace(2.0, 3.6, 17), np.linspace(3.6, 2.6, 11))
    across = np.concatenate([np.linspace(4.0, 2.0, 20), np.full(10, 2.0), *peak, np.full(20, 2.6)])
    assert land_of(across) == (pytest.approx(3.9, abs=0.1), NO_LAND_U_MM)
    assert land_of(across[20:]) == (pytest.approx(3.55, abs=0.1), NO_LAND_U_MM)  # a cut where the blade begins


def test_a_path_that_comes_down_from_the_collar_shows_no_land() -> None:
    across = np.concatenate([np.linspace(5.5, 4.0, 14), np.full(60, 4.0), np.linspace(4.0, 2.0, 20)])
    level, u = land_of(across)
    assert level == pytest.approx(4.0)
    assert u < LAND_U_MM


def test_a_land_is_less_sure_the_shorter_it_is() -> None:
    long, short = (land_of(np.concatenate([np.full(n, 4.0), np.linspace(4.0, 2.0, 20)]))[1] for n in (100, 10))
    assert LINE_U_MM < long < short
    # 8 mm and 0.8 mm of land (STATION_MM each), whose errors go together over 1 mm: JCGM 100:2008, 4.2.3.
    own = [np.sqrt(u**2 - LINE_U_MM**2) for u in (long, short)]
    assert own[1] / own[0] == pytest.approx(np.sqrt(10), rel=0.1)  # the first point of the flank is near the level too


def test_lands_that_are_hard_to_tell_count_where_the_clear_points_show_none() -> None:
    """All lands lie beside a wall that looks like the face; only flanks are clear, up to 0.1 mm below the lands."""
    flanks = np.linspace(2.0, 3.9, 20)
    across = np.concatenate([np.full(40, 4.0), flanks[::-1], flanks, np.full(30, 4.0)])
    level, u = land_line(across, np.where(across > 3.95, 0.08, 0.02), STATION_MM * np.arange(len(across)))
    assert level == pytest.approx(4.0)
    assert u >= 0.08


def test_a_path_that_wanders_where_nothing_is_told_makes_no_cut_edge() -> None:
    """An uncut edge of the table's own shade: its path strays by 0.5 mm, and each of its points says so."""
    scene = view_of(UNCUT, picture=False)
    outline = exact_outline(scene)
    stray = 0.5 * np.sin(outline.lower.s_mm) ** 2
    wandering = replace(outline.lower, v_mm=outline.lower.v_mm - stray, u_mm=np.full(len(stray), 0.3))
    assert measured(scene, outline=replace(outline, lower=wandering)).edges is None


def test_an_edge_cut_far_less_than_the_other_is_not_cut() -> None:
    """The uncut edge is followed along the wall's end over a third, 0.45 mm out, and every point looks clear."""
    scene = view_of(picture=False)
    outline = exact_outline(scene)
    uncut = min((outline.upper, outline.lower), key=lambda points: float(np.ptp(points.v_mm)))
    third = np.arange(len(uncut.s_mm)) % 60 < 20
    out = np.sign(np.median(uncut.v_mm))
    astray = replace(uncut, v_mm=uncut.v_mm + 0.45 * out * third)
    side = "upper" if out > 0 else "lower"
    assert measured(scene, outline=replace(outline, **{side: astray})).edges == 1


def test_what_is_not_told_sets_no_level_for_cuts() -> None:
    """A third of an uncut edge strays 0.5 mm out and says that it may: the rest is not cut for being lower."""
    scene = view_of(UNCUT, picture=False)
    outline = exact_outline(scene)
    third = np.arange(len(outline.lower.s_mm)) % 60 < 20
    astray = replace(
        outline.lower,
        v_mm=outline.lower.v_mm - 0.5 * third,
        u_mm=np.where(third, 0.3, outline.lower.u_mm),
    )
    assert measured(scene, outline=replace(outline, lower=astray)).edges is None


def test_a_level_that_is_not_told_makes_no_cut_where_hardly_anything_is() -> None:
    """The same on metal of the table's shade, where no point is clear."""
    scene = view_of(UNCUT, picture=False)
    outline = exact_outline(scene)
    third = np.arange(len(outline.lower.s_mm)) % 60 < 20
    astray = replace(outline.lower, v_mm=outline.lower.v_mm - 0.5 * third, u_mm=np.where(third, 0.3, 0.1))
    assert measured(scene, outline=replace(outline, lower=astray)).edges is None


def test_a_few_clear_roots_do_not_set_the_level_of_a_cut_edge() -> None:
    """A key as bright as its halo: some points of one root are clear, lands, flanks and the other roots hardly."""
    scene = view_of(picture=False)
    outline = exact_outline(scene)
    cut = max((outline.upper, outline.lower), key=lambda points: float(np.ptp(points.v_mm)))
    deepest = np.argsort(np.abs(cut.v_mm))[: FEW_POINTS + 5]
    u_mm = np.full(len(cut.s_mm), 0.12)
    u_mm[deepest] = 0.02
    side = "upper" if np.median(cut.v_mm) > 0 else "lower"
    assert measured(scene, outline=replace(outline, **{side: replace(cut, u_mm=u_mm)})).edges == 1


def test_metal_above_what_looks_like_a_land_tells_of_it_though_hardly_a_point_is_clear() -> None:
    """As above: a long root is the only level stretch, and peaks as long together stand 0.6 mm over it."""
    peak = np.concatenate([np.linspace(2.0, 2.8, 12), np.linspace(2.8, 2.0, 12)])
    across = np.concatenate(
        [np.linspace(4.0, 2.0, 20), np.full(30, 2.0), peak, np.full(30, 2.0), peak, np.full(9, 2.0)]
    )
    from_stop = STATION_MM * np.arange(len(across))
    for u, level in ((0.12, 2.8), (0.5, 2.0)):  # peaks that may lie 1 mm lower are none
        assert land_line(across, np.full(len(across), u), from_stop)[0] == pytest.approx(level, abs=0.15)


@pytest.mark.parametrize("face_up", ["a", "b"])
def test_a_path_that_strays_to_the_wall_makes_no_cut_edge(face_up: str) -> None:
    """A sixth of an uncut edge seen where the wall ends, 0.45 mm outside: neither a land above cuts nor wider metal."""
    outline = exact_outline(view_of(UNCUT, tilt_deg=5.0, picture=False, face_up=face_up))
    astray = outline.lower.v_mm.copy()
    astray[: len(astray) // 6] -= 0.45
    blade = measure_blade(replace(outline, lower=replace(outline.lower, v_mm=astray)), scale_of(view_of(UNCUT)))[0]
    assert blade.edges is None
    assert blade.width.mm == pytest.approx(KEY.width_mm, abs=0.02)


def test_a_burr_is_no_tip() -> None:
    along = np.concatenate([np.linspace(-1, 0, 20), np.linspace(0, -1, 20)])
    burr = along.copy()
    burr[10] = 0.4
    u = np.full(len(along), 0.02)
    assert foremost(burr, u, TIP_POINTS) == pytest.approx(foremost(along, u, TIP_POINTS))


@pytest.mark.parametrize("points", [1, 4, 9])
@pytest.mark.parametrize("at", [15, 28])
def test_a_patch_astray_is_no_tip(points: int, at: int) -> None:
    """A tip's front that was followed along its shadow for up to 0.7 mm."""
    rounded = -0.3 * np.linspace(-1, 1, 50) ** 2
    astray = rounded.copy()
    astray[at : at + points] += 0.3
    front = on_one_edge(astray)
    tip, _ = foremost(astray[front], np.full(len(front), 0.02), TIP_POINTS)
    assert tip == pytest.approx(foremost(rounded, np.full(50, 0.02), TIP_POINTS)[0], abs=0.02)


@pytest.mark.parametrize("slope", [0.0, 0.5, 1.0, 1.5])
def test_no_point_of_a_tip_is_taken_for_a_patch(slope: float) -> None:
    """Blunt to 56 degrees on both sides, with a scatter that a hard photo leaves."""
    scatter = 0.02 * np.sin(np.arange(51) * 7.3)
    assert len(on_one_edge(-slope * np.abs(np.arange(51) - 25) * 0.075 + scatter / (1 + 9 * slope))) == 51


def test_a_broad_front_between_steps_is_metal() -> None:
    front = np.where(np.abs(np.arange(60) - 30) < 8, 0.3, 0.0)
    assert len(on_one_edge(front)) == 60


def test_a_tip_that_is_hardly_told_is_less_sure() -> None:
    outline = exact_outline(view_of(KEY, picture=False))
    doubtful = replace(outline, tip=replace(outline.tip, u_mm=np.full(len(outline.tip.u_mm), 0.2)))
    length = measure_blade(doubtful, scale_of(view_of(picture=False)))[0].length
    assert length is not None
    assert length.u_mm > 0.2


def test_an_unsure_step_makes_stations_and_length_less_sure() -> None:
    outline = exact_outline(view_of(KEY, picture=False))
    assert outline.upper_step is not None
    doubtful = replace(outline, upper_step=replace(outline.upper_step, u_mm=0.15))
    blade = measure_blade(doubtful, scale_of(view_of(picture=False)))[0]
    assert blade.length is not None
    assert blade.station_common_u_mm == pytest.approx(0.15)
    assert blade.length.u_mm > 0.15


def test_blown_out_edges_go_apart() -> None:
    """Both edges are pushed outward together, so heights and width err by twice as much."""
    outline = exact_outline(view_of(KEY, picture=False))
    plain, blown = (
        measure_blade(replace(outline, bloom_u_mm=bloom), scale_of(view_of(picture=False)))[0] for bloom in (0.0, 0.02)
    )
    for before, after in ((plain.width.u_mm, blown.width.u_mm), (plain.height_common_u_mm, blown.height_common_u_mm)):
        assert np.sqrt(after**2 - before**2) == pytest.approx(0.04)


def test_points_whose_edge_is_not_told_do_not_move_a_line() -> None:
    """Half of the uncut edge 0.3 mm outside, where it may as well be the wall's end: the other half is the line."""
    scene = view_of(picture=False)
    outline = exact_outline(scene)
    half = np.arange(len(outline.lower.s_mm)) > 0.55 * len(outline.lower.s_mm)
    lower = replace(
        outline.lower,
        v_mm=outline.lower.v_mm - 0.3 * half,
        u_mm=np.where(half, 0.2, outline.lower.u_mm),
    )
    assert measured(scene, outline=replace(outline, lower=lower)).width.mm == pytest.approx(KEY.width_mm, abs=0.02)


def test_a_line_goes_where_its_points_are_told_surely_though_most_lie_elsewhere() -> None:
    """A path that runs along the foot of the wall for most of an edge, and says so; a few clear points are no edge."""
    for clear_part, level in ((0.25, 3.9), (0.05, 4.3)):
        along_rim = np.arange(200) < 200 * clear_part
        across, u_mm = np.where(along_rim, 3.9, 4.3), np.where(along_rim, 0.03, 0.2)
        assert uncut_line(across, u_mm)[0] == pytest.approx(level, abs=0.02)


def test_a_line_is_no_surer_than_its_points() -> None:
    """They may all have been taken from the same wrong edge."""
    scene = view_of(picture=False)
    outline = exact_outline(scene)
    doubtful = replace(outline.lower, u_mm=np.full(len(outline.lower.u_mm), 0.15))
    assert measured(scene, outline=replace(outline, lower=doubtful)).width.u_mm > 0.15


# --- pictures --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("view", VIEWS)
def test_the_width_in_a_picture_is_right_within_its_uncertainty(view: tuple[float, float, float]) -> None:
    scene, outline = viewed(*view)
    blade = measured(scene, outline=outline)
    assert (blade.stop, blade.edges) == ("shoulder", 1)
    # The camera is the true one: only the edges and the lie are unsure, and 0.05 mm keeps u from excusing anything.
    assert abs(blade.width.mm - KEY.width_mm) < min(2 * blade.width.u_mm, 0.05)


@pytest.mark.parametrize("view", VIEWS[2:])  # in the others the shoulder's two rims merge
def test_the_length_in_a_picture_is_right_within_its_uncertainty(view: tuple[float, float, float]) -> None:
    scene, outline = viewed(*view)
    blade = measured(scene, outline=outline)
    assert blade.length is not None
    assert abs(blade.length.mm - KEY.length_mm) < min(2 * blade.length.u_mm, 0.2)  # the tip's wall may pass for face
