"""The shoulder's step: on drawn strips, whose step is where it was put, and on scenes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erf

from keyid.outlines.ends import (
    COLLAR_U_MM,
    NEAR_START_MM,
    STEP_U_MM,
    Step,
    _place,
    find_collar,
    find_plastic,
    find_step,
)
from keyid.outlines.lie import LieInputs, place
from keyid.outlines.outline import EdgePoints
from keyid.outlines.segmentation import Regions
from keyid.outlines.strip import STEP_MM, Strip
from tests.scene import posed_camera
from tests.unit.known_scene import STEP_LOOK_MM, VIEWS, found_on_face, viewed

Array = NDArray[np.float64]

CAMERA = posed_camera(2900.0, (760.0, 640.0), distance_mm=220.0)
INPUTS = LieInputs(0.0, 2.2, 0.0, 0.0, 0.0)
EDGE_MM = 3.5  # half the width
STEP_S_MM = -23.0
METAL, TABLE = 0.75, 0.45  # sRGB-coded greys
BLUR_MM = 0.07  # about that of a photo with 13 px/mm


def strip_of(collar_out: Array, s_mm: Array, v_mm: Array, metal: float = METAL) -> tuple[Strip, Regions]:
    """A strip, and its regions, whose metal reaches outward to ``collar_out`` at each station."""
    depth = collar_out[None, :] - np.abs(v_mm)[:, None]
    blurred = 0.5 * (1 + erf(depth / (np.sqrt(2) * BLUR_MM)))
    kernel = np.exp(-0.5 * (np.arange(-8, 9) * STEP_MM / BLUR_MM) ** 2)
    sharp_steps = np.apply_along_axis(lambda row: np.convolve(row, kernel / kernel.sum(), "same"), 1, blurred)
    grey = TABLE + (metal - TABLE) * sharp_steps
    lie = place(INPUTS, CAMERA.project(np.array([[-15.0, 0, 2.2], [15.0, 0, 2.2]])), CAMERA)
    values = np.repeat(grey[..., None], 3, axis=2).astype(np.float32)
    face = (depth > 0).astype(np.float32)
    nothing = np.zeros_like(face)
    return Strip(values, s_mm, v_mm, 27.0, 2 * EDGE_MM, lie), Regions(face, nothing, nothing, nothing, face)


S_MM = np.arange(-32.0, 3.5, STEP_MM)
V_MM = np.arange(7.5, -7.5, -STEP_MM)


def shoulder(at_mm: float, out_mm: float = 1.6) -> Array:
    """Blade with a collar that ends at a station."""
    return np.where(at_mm > S_MM, EDGE_MM + out_mm, EDGE_MM)


def found_in(reach: Array, sign: int = 1, metal: float = METAL, start_mm: float = -21.0) -> Step | None:
    strip, regions = strip_of(reach, S_MM, V_MM, metal)
    return find_step(strip, regions, sign, EDGE_MM, start_mm)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("at_mm", [-23.0, -19.48, -16.2])
def test_a_step_is_found_where_it_is(at_mm: float, sign: int) -> None:
    step = found_in(shoulder(at_mm), sign, start_mm=at_mm + 0.7)
    assert step is not None
    # The drawn step lies half way between the last column of the collar and the next.
    between = S_MM[at_mm > S_MM].max() + STEP_MM / 2
    assert step.s_mm == pytest.approx(between, abs=0.25 * STEP_MM)  # a parabola's error on a peak of three samples
    assert step.score > 0.5


def test_a_step_is_found_beside_an_edge_that_lies_far_out() -> None:
    """Where cuts took the lands, the blade's start lies further out than the strip was laid for."""
    strip, regions = strip_of(np.where(S_MM < STEP_S_MM, 6.3, 4.9), S_MM, V_MM)
    step = find_step(strip, regions, 1, 4.9, -22.0)
    assert step is not None
    assert step.s_mm == pytest.approx(STEP_S_MM, abs=0.03)


def test_dark_metal_has_its_step_in_the_same_place() -> None:
    bright, dark = (found_in(shoulder(STEP_S_MM), metal=metal) for metal in (0.75, 0.15))
    assert bright is not None
    assert dark is not None
    assert dark.s_mm == pytest.approx(bright.s_mm, abs=1e-3)  # only the sign of the change differs


def test_a_faint_step_is_found_where_the_blade_begins() -> None:
    faint = TABLE + 0.04
    step = found_in(shoulder(STEP_S_MM, 2.0), metal=faint, start_mm=STEP_S_MM + 0.3)
    assert step is not None
    assert step.s_mm == pytest.approx(
        STEP_S_MM, abs=0.1
    )  # two and a half of the stop's stated 0.025 mm and half a column
    assert found_in(shoulder(STEP_S_MM, 2.0), metal=faint, start_mm=STEP_S_MM + 2.0) is None


def test_a_faint_curved_front_is_no_step() -> None:
    v_of_front = EDGE_MM + np.clip((STEP_S_MM - S_MM) * 1.5, 0.0, 2.6)  # recedes by 0.3 mm over the width of a band
    assert found_in(v_of_front, metal=TABLE + 0.04, start_mm=STEP_S_MM) is None


def test_a_faint_front_that_is_level_only_further_out_is_no_step() -> None:
    """Beside the blade it stands 0.3 mm ahead: a curved head's front, which is level for a moment."""
    ahead = np.where(S_MM < STEP_S_MM + 0.3, EDGE_MM + 0.8, EDGE_MM)
    v_of_front = np.maximum(ahead, shoulder(STEP_S_MM, 2.0))
    assert found_in(v_of_front, metal=TABLE + 0.04, start_mm=STEP_S_MM) is None


def test_an_edge_without_a_collar_has_no_step() -> None:
    assert found_in(np.full(len(S_MM), EDGE_MM)) is None


def test_a_flank_is_no_step() -> None:
    assert found_in(EDGE_MM + np.clip(STEP_S_MM - S_MM, 0.0, 1.6)) is None  # 45 degrees


def test_a_heads_front_is_no_step() -> None:
    assert found_in(np.where(STEP_S_MM > S_MM, 8.0, EDGE_MM)) is None  # it reaches out past every collar


@pytest.mark.parametrize("radius_mm", [11.0, 12.0, 13.0])
def test_a_round_heads_front_is_no_step(radius_mm: float) -> None:
    """It looks like a step in each of the bands, but further out it is nearer to the bow."""
    from_middle = S_MM - STEP_S_MM + np.sqrt(radius_mm**2 - EDGE_MM**2)  # beside the blade it ends at the step
    across = np.sqrt(np.maximum(radius_mm**2 - np.maximum(from_middle, 0) ** 2, 0))
    assert found_in(np.clip(across, EDGE_MM, EDGE_MM + 2.6), start_mm=STEP_S_MM) is None


def test_a_step_far_from_the_blades_start_is_none() -> None:
    assert found_in(shoulder(STEP_S_MM), start_mm=STEP_S_MM - NEAR_START_MM[0] + 0.5) is None


def test_of_two_steps_the_one_nearer_to_the_bow_is_the_shoulder() -> None:
    reach = np.where(S_MM < -17.0, EDGE_MM + 1.6, EDGE_MM)
    reach = np.where((S_MM > -23.0) & (S_MM < -20.0), EDGE_MM, reach)  # a slot in the land, then metal again
    step = found_in(reach)
    assert step is not None
    assert step.s_mm == pytest.approx(-23.0, abs=STEP_MM)


def sharpness(*peaks: tuple[float, float]) -> Array:
    """How sharp a step's change is at each station: a peak of some height at each of the places."""
    return np.asarray(sum(height * np.exp(-0.5 * ((S_MM - at) / BLUR_MM) ** 2) for at, height in peaks) + 0.1)


def place_near(start_mm: float, wall_mm: float, *peaks: tuple[float, float]) -> tuple[float, float]:
    strip, _ = strip_of(shoulder(STEP_S_MM), S_MM, V_MM)
    return _place(strip, sharpness(*peaks), int(np.searchsorted(S_MM, start_mm)), wall_mm)


def test_a_step_that_lies_at_the_end_of_what_is_looked_at_is_looked_for_further_on() -> None:
    place, u = place_near(STEP_S_MM - 0.55, 0.0, (STEP_S_MM, 1.0))
    assert place == pytest.approx(STEP_S_MM, abs=0.25 * STEP_MM)
    assert u == STEP_U_MM


def test_another_edge_makes_a_step_less_sure_unless_it_is_its_lower_rim() -> None:
    edges = ((STEP_S_MM, 1.0), (STEP_S_MM + 0.28, 0.9))
    (first, unsure), (second, sure) = (place_near(STEP_S_MM, wall_mm, *edges) for wall_mm in (-0.2, 0.25))
    assert first == second == pytest.approx(STEP_S_MM, abs=0.25 * STEP_MM)
    assert unsure == pytest.approx(0.14, abs=0.03)  # half of 0.28 mm
    assert sure == STEP_U_MM


def test_a_plastic_heads_front_is_where_its_plastic_begins() -> None:
    strip, regions = strip_of(np.full(len(S_MM), EDGE_MM), S_MM, V_MM)
    plastic = np.where(S_MM < -26.0, 0.9, 0.0)[None] * np.ones((len(V_MM), 1))
    seen = replace(regions, face=regions.face * (1 - plastic), plastic=plastic)
    front = find_plastic(strip, seen, 0.0, 2 * EDGE_MM, 0.0)
    assert front == pytest.approx(-26.0, abs=STEP_MM)
    assert find_plastic(strip, regions, 0.0, 2 * EDGE_MM, 0.0) is None


def regions_along(face_from_mm: float, plastic_to_mm: float) -> tuple[Strip, Regions]:
    """A strip that shows plastic, then a collar, then the face."""
    strip, regions = strip_of(np.full(len(S_MM), EDGE_MM), S_MM, V_MM)
    face, plastic = (face_from_mm <= S_MM), (plastic_to_mm > S_MM)
    rows = np.ones((len(V_MM), 1))
    layers = {"face": face, "plastic": plastic, "body": ~face & ~plastic}
    return strip, replace(regions, **{name: (layer[None] * rows).astype(np.float32) for name, layer in layers.items()})


def test_a_collar_before_a_plastic_head_makes_a_shoulder_though_no_edge_shows() -> None:
    step = find_collar(*regions_along(-23.0, -26.5), 0.0, 2 * EDGE_MM, 0.0)
    assert step is not None
    assert step.u_mm == COLLAR_U_MM
    assert step.s_mm == pytest.approx(-23.0, abs=COLLAR_U_MM)


@pytest.mark.parametrize(
    ("face_from_mm", "plastic_to_mm"),
    [(-26.5, -26.5), (-25.5, -26.5), (-23.0, -40.0)],
    ids=["a blade that comes out of the plastic", "a narrow doubt between the two", "a metal head"],
)
def test_without_collar_or_plastic_nothing_is_told_of_a_shoulder(face_from_mm: float, plastic_to_mm: float) -> None:
    assert find_collar(*regions_along(face_from_mm, plastic_to_mm), 0.0, 2 * EDGE_MM, 0.0) is None


def test_the_shoulder_is_found_in_pictures() -> None:
    # Where the shoulder's face shows by less than 0.2 mm its two rims merge: those views are not judged here.
    for view in VIEWS[2:]:
        scene, outline = viewed(*view)
        step = outline.upper_step
        assert step is not None
        beside = scene.truth.key.width_mm / 2 + STEP_LOOK_MM
        point = EdgePoints(np.array([step.s_mm]), np.array([beside]), np.zeros(1))
        assert found_on_face(scene, outline, point)[0, 0] == pytest.approx(0.0, abs=0.06)  # twice the stated 0.03 mm
        assert outline.lower_step is None  # this key has no step there
