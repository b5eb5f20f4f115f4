"""The outline as a whole: what is kept when it is understood anew, and its tip."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.outlines.lie import LieInputs, assume_inputs
from keyid.outlines.outline import MERGED_MM, UNSHOWN_PART, EdgePoints, find_outline, lay_strip, seen_by, trace_outline
from keyid.scales.pointed import NOTHING_POINTED
from tests.scene.make import PLASTIC
from tests.unit.known_scene import (
    CLEAN,
    COARSE,
    KEY,
    VIEWS,
    exact_outline,
    found_on_face,
    moved_focal,
    photo_of,
    scale_of,
    silhouette_of,
    view_of,
    viewed,
)

Array = NDArray[np.float64]

SCENE = view_of(tilt_deg=15.0, azimuth_deg=200.0, yaw_deg=50.0, picture=False)


def edge_px(points: EdgePoints, outline_lie: object, camera: object) -> Array:
    return outline_lie.to_px(np.stack([points.s_mm, points.v_mm], axis=-1), camera)  # type: ignore[attr-defined,no-any-return]


def test_the_same_understanding_changes_nothing() -> None:
    outline = exact_outline(SCENE)
    again = seen_by(outline, outline.camera, outline.inputs)
    for name in ("upper", "lower", "tip"):
        old, new = getattr(outline, name), getattr(again, name)
        np.testing.assert_allclose(new.s_mm, old.s_mm, atol=1e-3)  # the frame's ends are taken at another height
        np.testing.assert_allclose(new.v_mm, old.v_mm, atol=1e-3)
        np.testing.assert_array_equal(new.u_mm, old.u_mm)
    assert outline.upper_step is not None
    assert again.upper_step is not None
    assert again.upper_step.s_mm == pytest.approx(outline.upper_step.s_mm, abs=1e-3)
    assert again.head_s_mm == pytest.approx(outline.head_s_mm, abs=1e-3)


@pytest.mark.parametrize("inputs", [LieInputs(0.0, 2.0, 0.15, 0.0, 0.0), LieInputs(0.76, 2.6, 0.0, 5.0, 2.0)])
@pytest.mark.parametrize("factor", [1.0, 1.02])
def test_another_understanding_keeps_every_pixel(factor: float, inputs: LieInputs) -> None:
    outline = exact_outline(SCENE)
    camera = moved_focal(outline.camera, factor)
    other = seen_by(outline, camera, inputs)
    for name in ("upper", "lower", "tip"):
        before = edge_px(getattr(outline, name), outline.lie, outline.camera)
        after = edge_px(getattr(other, name), other.lie, camera)
        np.testing.assert_allclose(after, before, atol=1e-4)  # px; the lens's inverse has converged to 1e-6
    assert other.camera is camera
    assert other.inputs is inputs


def test_a_longer_lens_makes_the_blade_smaller() -> None:
    outline = exact_outline(SCENE)
    other = seen_by(outline, moved_focal(outline.camera, 1.01), outline.inputs)
    span = np.ptp(other.upper.s_mm) / np.ptp(outline.upper.s_mm)
    assert span == pytest.approx(1 / 1.01, abs=3e-4)  # similar triangles, but for perspective


@pytest.mark.parametrize("view", VIEWS)
def test_the_tip_is_found(view: tuple[float, float, float]) -> None:
    scene, outline = viewed(*view)
    found = found_on_face(scene, outline, outline.tip)
    assert np.all(np.diff(outline.tip.v_mm) > 0)
    # Two thirds of the tip's stated uncertainty; a wall that shows may pass for face, by no more than its own depth.
    wall = float(outline.lie.wall(np.zeros((1, 2)), outline.camera)[0, 0]) * KEY.thickness_mm
    assert KEY.length_mm - 0.05 < found[:, 0].max() < KEY.length_mm + 0.05 + max(wall, 0.0)


@pytest.mark.parametrize("view", VIEWS)
def test_edges_are_sorted_and_mostly_seen(view: tuple[float, float, float]) -> None:
    _, outline = viewed(*view)
    for points in (outline.upper, outline.lower):
        assert np.all(np.diff(points.s_mm) > 0)
        assert np.isfinite(points.u_mm).mean() > 0.9
        assert np.nanmin(points.u_mm) > 0
    assert np.median(outline.upper.v_mm) > np.median(outline.lower.v_mm)
    assert outline.bloom_u_mm == 0.0  # nothing is blown out


def test_a_known_thickness_is_kept_and_surer() -> None:
    scene, free = viewed(*VIEWS[1])
    silhouette = silhouette_of(scene)
    told = find_outline(photo_of(scene), scale_of(scene), silhouette, thickness_mm=KEY.thickness_mm)
    assert told.lie.thickness_mm == KEY.thickness_mm
    assert told.thickness_u_mm < 0.5 * free.thickness_u_mm


def test_a_plastic_key_slopes_from_where_its_head_is_seen_to_begin() -> None:
    """However far off the silhouette takes it: the slope is the head's thickness over that length."""
    key = replace(KEY, head="plastic", head_thickness_mm=9.6, head_length_mm=38.0, thickness_mm=2.25)
    scene = view_of(key, tilt_deg=10.0, look=replace(CLEAN, head_colour=PLASTIC))
    photo, scale = photo_of(scene), scale_of(scene)
    true, off = (silhouette_of(scene, neck_off_mm=(mm, 0.0)) for mm in (0.0, -7.0))
    laid = lay_strip(photo, scale, off, None, NOTHING_POINTED)
    wanted, coarse, found = (assume_inputs(one, scale).pitch_deg for one in (true, off, laid.silhouette))
    assert abs(coarse - wanted) > 1.0
    assert found == pytest.approx(wanted, abs=0.3)  # the front to 1.5 of 30 mm


@pytest.mark.parametrize(("turned_deg", "cut_shows_wall"), [(0.0, False), (180.0, True)])
def test_rims_are_doubted_where_the_wall_that_must_show_is_not_told(turned_deg: float, cut_shows_wall: bool) -> None:
    """But not along an uncut edge beside which the foot of its wall is seen."""
    tilt, azimuth, yaw = VIEWS[2]
    scene = view_of(tilt_deg=tilt, azimuth_deg=azimuth, yaw_deg=yaw + turned_deg)
    scale, silhouette = scale_of(scene), silhouette_of(scene, **COARSE)
    laid = lay_strip(photo_of(scene), scale, silhouette, None, NOTHING_POINTED)
    all_wall = 1 - laid.regions.face - laid.regions.body
    told, untold = (
        trace_outline(replace(laid, regions=replace(laid.regions, wall=wall)), scale, None, NOTHING_POINTED)
        for wall in (all_wall, np.zeros_like(all_wall))
    )
    doubted = 0
    for sign, before, after in ((1, told.upper, untold.upper), (-1, told.lower, untold.lower)):
        out = float(sign * laid.strip.lie.wall(np.array([[-10.0, 0.0]]), scale.camera)[0, 1])
        wide = out * laid.strip.lie.thickness_mm  # where the edge runs along the blade
        seen = np.isfinite(before.u_mm)
        added = float(np.median(np.sqrt(after.u_mm[seen] ** 2 - before.u_mm[seen] ** 2)))
        if wide > MERGED_MM and cut_shows_wall:
            doubted += 1
            assert added > 0.7 * UNSHOWN_PART * wide  # flanks that turn from the camera show less wall
        else:
            assert added == pytest.approx(0.0)
    assert doubted == cut_shows_wall


@pytest.mark.parametrize("head", ["metal", "plastic"])
def test_a_patch_of_the_blade_that_is_told_as_head_moves_no_rim(head: str) -> None:
    """Both are metal, and the rim is where metal ends."""
    thick = {"head_thickness_mm": 9.6, "head_length_mm": 38.0} if head == "plastic" else {}
    key = replace(KEY, head=head, stop="tip", step_a_mm=0.0, collar_mm=0.0, **thick)
    scene = view_of(key, tilt_deg=10.0, look=replace(CLEAN, head_colour=PLASTIC) if head == "plastic" else CLEAN)
    scale = scale_of(scene)
    laid = lay_strip(photo_of(scene), scale, silhouette_of(scene), None, NOTHING_POINTED)
    strip, told = laid.strip, laid.regions
    along = (strip.s_mm > laid.region.start_mm + 2.2) & (strip.s_mm < laid.region.start_mm + 6.0)
    across = np.abs(strip.v_mm - laid.region.middle_mm + 2.0) < 1.2
    face = np.where(across[:, None] & along[None, :], 0.0, told.face).astype(np.float32)
    patched = replace(laid, regions=replace(told, face=face, body=told.body + told.face - face))
    before, after = (trace_outline(one, scale, None, NOTHING_POINTED) for one in (laid, patched))
    for name in ("upper", "lower"):
        np.testing.assert_allclose(getattr(after, name).v_mm, getattr(before, name).v_mm, atol=0.02)


def test_the_shoulder_is_found_though_cuts_took_the_lands() -> None:
    """Peaks between cuts then pass for lands, and the blade for narrower than it is."""
    scene = view_of(tilt_deg=10.0)
    scale = scale_of(scene)
    laid = lay_strip(photo_of(scene), scale, silhouette_of(scene), None, NOTHING_POINTED)
    narrow = replace(laid, region=replace(laid.region, width_mm=laid.region.width_mm - 3.2))
    found, again = (trace_outline(one, scale, None, NOTHING_POINTED) for one in (laid, narrow))
    steps = [(one.upper_step, one.lower_step) for one in (found, again)]
    right, told = ([step.s_mm for step in both if step is not None] for both in steps)
    assert len(told) == len(right) > 0
    assert told == pytest.approx(right, abs=0.03)


def test_where_nothing_can_be_seen_the_key_is_unclear() -> None:
    scene, _ = viewed(*VIEWS[0])
    photo = photo_of(scene)
    dull = replace(photo, pixels=np.full_like(photo.pixels, 128))
    with pytest.raises(PhotoError) as caught:
        find_outline(dull, scale_of(scene), silhouette_of(scene))
    assert caught.value.code == "key-unclear"
