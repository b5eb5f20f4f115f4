"""Edges inside grooves, seen aside and put back: from exact edges moved by the camera's own projection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.blades.blade_measure import measure_blade
from keyid.blades.face import STRAIGHT_ABOVE, FaceLines, Viewpoint
from keyid.profiles.profile import Profile
from keyid.rankings.groove_evidence import expected_lines
from keyid.rankings.groove_relief import DEPTH_PART, Relief, reliefs_of, without_parallax
from keyid.rankings.ranking import rank
from tests.unit.known_scene import KEY, VIEWS, exact_outline, scale_of, view_of
from tests.unit.measured_blade import PIER, key_of, measured
from tests.unit.test_groove_evidence import face

Array = NDArray[np.float64]

CODE = "6-5-2-5-6"
DEEP = replace(PIER, grooves_left_mm=((4.6, 6.4),))
"""The deeper codes' roots, 5.25 and 5.75 mm, are inside the groove, the shallow one's is not."""
OPEN_BELOW = replace(PIER, grooves_left_mm=((0.0, 1.6),))
ASIDE = Viewpoint(40.0, -30.0, 170.0)
NEAR_WALL_MM = 0.35  # beside a groove's leaning wall an edge is seen twice, or not at all


def seen_from(viewpoint: Viewpoint, profile: Profile, blade: Blade) -> Blade:
    """The blade as a camera sees it that takes all of it for level: by the law of projection, from true places."""
    relief = relief_of(profile, viewpoint)
    low, high = relief.viewpoint.shift(
        np.zeros(2), np.array([0.0, profile.width_mm]), relief.depth(np.array([0.0, profile.width_mm]))
    )[1]
    line = profile.width_mm + high

    def moved(trace: EdgeTrace, above_b: Array, sign: float, zero: float) -> EdgeTrace:
        along, across = viewpoint.shift(trace.x_mm, above_b, relief.depth(above_b))
        order = np.argsort(trace.x_mm + along, kind="stable")
        x, height = (trace.x_mm + along)[order], (sign * (above_b + across - zero))[order]
        return replace(trace, height_mm=np.interp(trace.x_mm, x, height))

    return replace(
        blade,
        a=moved(blade.a, blade.a.height_mm, 1.0, float(low)),
        b=moved(blade.b, profile.width_mm - blade.b.height_mm, -1.0, float(line)),
        width=replace(blade.width, mm=float(line - low)),
        faces=(faces_of(profile, viewpoint),),
    )


def faces_of(profile: Profile, viewpoint: Viewpoint) -> FaceLines:
    """The left face with the lines of its grooves."""
    rims, floors = expected_lines(profile.grooves_left_mm, profile.width_mm, 0.0)
    return replace(face(*rims, *floors, blade=profile), viewpoint=viewpoint)


def relief_of(profile: Profile, viewpoint: Viewpoint) -> Relief:
    assert profile.thickness_mm is not None
    return Relief(profile.grooves_left_mm, DEPTH_PART * profile.thickness_mm, profile.width_mm, viewpoint)


@settings(deadline=None, max_examples=30)
@given(st.floats(-70, 70), st.floats(-70, 70), st.floats(120, 300), st.sampled_from([DEEP, OPEN_BELOW]))
def test_edges_are_put_back_to_where_they_stand(x: float, height: float, above: float, profile: Profile) -> None:
    true = measured(key_of(profile, CODE))
    seen = seen_from(Viewpoint(x, height, above), profile, true)
    back = without_parallax(seen, reliefs_of(profile, seen))
    off = np.abs(back.a.height_mm - true.a.height_mm)
    level = np.abs(np.gradient(true.a.height_mm, true.a.x_mm)) < 0.05
    roots = level & np.all([np.abs(true.a.height_mm - rim) > NEAR_WALL_MM for rim in (4.6, 6.4)], axis=0)
    assert np.percentile(off[roots], 90) < 0.012
    assert back.width.mm == pytest.approx(true.width.mm, abs=0.012)


def test_roots_in_a_groove_seen_aside_are_read_at_their_true_heights() -> None:
    true = measured(key_of(DEEP, CODE))
    seen = seen_from(ASIDE, DEEP, true)
    blind = rank(seen, (replace(DEEP, grooves_left_mm=()),)).candidates[0].decoded
    decoded = rank(seen, (DEEP,)).candidates[0].decoded
    assert blind.roots[0] is not None
    assert decoded.roots[0] is not None
    assert abs(blind.roots[0].mm - 5.25) > 0.08
    assert abs(decoded.roots[0].mm - 5.25) < 0.03
    assert decoded.best[0][0] == tuple(CODE.split("-"))


def test_the_depth_of_a_groove_is_not_known_exactly() -> None:
    true = measured(key_of(DEEP, CODE))
    seen = seen_from(ASIDE, DEEP, true)
    back = without_parallax(seen, reliefs_of(DEEP, seen))
    moved = np.abs(back.a.height_mm - seen.a.height_mm) > 0.05
    assert np.all(back.a.u_mm[moved] > seen.a.u_mm[moved])
    assert np.all(back.a.u_mm >= seen.a.u_mm - 1e-9)


@pytest.mark.parametrize("profile", [DEEP, replace(PIER, grooves_left_mm=(), grooves_right_mm=())])
def test_nothing_moves_from_straight_above_or_without_told_grooves(profile: Profile) -> None:
    viewpoint = STRAIGHT_ABOVE if profile is DEEP else ASIDE
    seen = replace(measured(key_of(PIER, CODE)), faces=(faces_of(profile, viewpoint),))
    assert reliefs_of(profile, seen) == ()
    assert without_parallax(seen, ()) is seen


@pytest.mark.parametrize(("tilt", "azimuth", "yaw"), VIEWS)
def test_the_viewpoint_tells_where_points_below_the_face_are_seen(tilt: float, azimuth: float, yaw: float) -> None:
    scene = view_of(KEY, tilt_deg=tilt, azimuth_deg=azimuth, yaw_deg=yaw, picture=False)
    outline = exact_outline(scene)
    _, frame = measure_blade(outline, scale_of(scene))
    at, depth = np.array([[-3.0, 1.0], [-12.0, -2.0], [-20.0, 3.0]]), 0.7
    stands = frame.from_px(outline.lie.to_px(at, outline.camera))
    sunk = frame.from_px(outline.lie.to_px(at, outline.camera, depth))
    shift = frame.viewpoint.shift(stands[:, 0], stands[:, 1], np.full(3, depth))
    assert np.column_stack(shift) == pytest.approx(sunk - stands, abs=1e-6)
