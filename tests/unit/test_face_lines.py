"""Lines along the face, against grooves drawn at known places (no source needed: the truth is made)."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.blades.blade_measure import measure_blade
from keyid.blades.face import FaceLines
from keyid.blades.face_lines import find_face_lines
from tests.scene import Look, Scene
from tests.unit.known_scene import CLEAN, KEY, VIEWS, exact_outline, photo_of, scale_of, view_of

GROOVES = ((0.9, 2.1), (3.0, 4.2))
GROOVED = replace(KEY, grooves_mm=GROOVES)
RIMS = np.array(GROOVES).ravel()
MANY_U = 4.0  # passed by chance once in 16,000 lines if u is right
BRUSHED = replace(CLEAN, brushed=0.05)


def lines_of(scene: Scene, pixels: NDArray[np.uint8] | None = None) -> FaceLines:
    blade, frame = measure_blade(exact_outline(scene), scale_of(scene))
    photo = photo_of(scene) if pixels is None else replace(photo_of(scene), pixels=pixels)
    found = find_face_lines(photo, blade, frame)
    assert found is not None
    return found


def heights(found: FaceLines) -> NDArray[np.float64]:
    return np.array([line.height_mm for line in found.lines])


@pytest.mark.parametrize("look", [CLEAN, BRUSHED, replace(BRUSHED, groove_shade=1.5, jpeg_quality=80)])
@pytest.mark.parametrize(("tilt", "azimuth", "yaw"), VIEWS)
def test_each_rim_is_one_line_at_its_place(tilt: float, azimuth: float, yaw: float, look: Look) -> None:
    scene = view_of(GROOVED, tilt_deg=tilt, azimuth_deg=azimuth, yaw_deg=yaw, look=look)
    found = lines_of(scene)
    off = np.abs(heights(found)[:, None] - RIMS)
    assert off.min(axis=0) == pytest.approx(0, abs=MANY_U * max(line.u_mm for line in found.lines))
    clear = [line for line, nearest in zip(found.lines, off.min(axis=1), strict=True) if nearest > 0.3]
    assert len(clear) <= 1, "a streak that runs along the whole blade may look like a line, two don't"


def test_lines_count_from_the_uncut_edge_whichever_face_is_up() -> None:
    up, down = (lines_of(view_of(GROOVED, face_up=face)) for face in ("a", "b"))
    assert (up.a_is_upper, down.a_is_upper) == (True, False)
    for found in (up, down):
        assert heights(found) == pytest.approx(RIMS, abs=0.1)


def test_the_sign_tells_where_it_gets_darker() -> None:
    assert [line.z < 0 for line in lines_of(view_of(GROOVED)).lines] == [True, False, True, False]


def test_the_parallax_is_that_of_a_point_below_the_face() -> None:
    scene = view_of(GROOVED, tilt_deg=20.0, azimuth_deg=100.0)
    truth, middle = scene.truth, np.array([10.0, 3.0])
    world = truth.pose.to_world(np.array([[*middle, truth.up_mm], [*middle, truth.up_mm - 1.0]]))
    normal = truth.pose.rotation[:, 2]
    seen = truth.camera.on_plane(truth.camera.project(world), normal, float(normal @ world[0]))
    moved = (seen[1] - seen[0]) @ truth.pose.rotation[:, 1]
    assert lines_of(scene).parallax == pytest.approx(float(moved), abs=0.02)


def test_a_plain_face_has_no_lines() -> None:
    assert lines_of(view_of(KEY)).lines == ()


def test_scratches_print_and_glare_are_no_lines() -> None:
    scene = view_of(KEY, look=BRUSHED)
    truth = scene.truth
    pixels = photo_of(scene).pixels.copy()

    def at(x_mm: float, y_mm: float) -> tuple[int, int]:
        world = truth.pose.to_world(np.array([[x_mm, y_mm, truth.up_mm]]))
        x, y = np.rint(truth.camera.project(world))[0]
        return int(x), int(y)

    cv2.line(pixels, at(2.0, 1.0), at(19.0, 3.5), (240, 240, 240), 2)  # a long scratch, slanted by 8 degrees
    cv2.line(pixels, at(3.0, 2.4), at(6.5, 2.4), (30, 30, 30), 3)  # a short one along the blade
    cv2.putText(pixels, "7 Q", at(11.0, 1.2), cv2.FONT_HERSHEY_SIMPLEX, 0.8, (20, 20, 20), 2)
    cv2.circle(pixels, at(17.0, 2.5), 30, (255, 255, 255), -1)
    assert lines_of(scene, pixels).lines == ()


def test_a_blade_too_short_to_tell_lines_from_marks_has_none_found() -> None:
    scene = view_of(GROOVED)
    outline = exact_outline(scene)
    blade, frame = measure_blade(outline, scale_of(scene))
    short = replace(frame, reduced=replace(frame.reduced, head_along=frame.reduced.tip_along - 5.0))
    assert find_face_lines(photo_of(scene), blade, short) is None
