"""The blade's place in its strip: on drawn regions, and what a coarse silhouette's frame is mended to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.outlines.blade_region import BladeRegion, find_region, head_of
from keyid.outlines.lie import LieInputs, place
from keyid.outlines.outline import find_outline
from keyid.outlines.segmentation import Regions
from keyid.outlines.strip import STEP_MM, Strip
from tests.scene import posed_camera
from tests.unit.known_scene import COARSE, KEY, found_on_face, photo_of, scale_of, silhouette_of, view_of

Array = NDArray[np.float64]

S_MM = np.arange(-32.0, 3.5, STEP_MM)
V_MM = np.arange(8.0, -8.0, -STEP_MM)
CAMERA = posed_camera(2900.0, (760.0, 640.0), distance_mm=220.0)
LIE = place(LieInputs(0.0, 2.2, 0.0, 0.0, 0.0), CAMERA.project(np.array([[-15.0, 0, 2.2], [15.0, 0, 2.2]])), CAMERA)


def drawn(start_mm: float, tip_mm: float, upper_mm: Array, lower_mm: Array) -> tuple[Strip, Regions]:
    """Regions of a blade between two edges, with a collar of 6 mm before it."""
    between = (V_MM[:, None] < upper_mm) & (V_MM[:, None] > lower_mm)
    face = between & (start_mm < S_MM) & (tip_mm > S_MM)
    body = between & (start_mm >= S_MM) & (start_mm - 6 < S_MM)
    strip = Strip(np.zeros((len(V_MM), len(S_MM), 3), np.float32), S_MM, V_MM, 25.0, 8.0, LIE)
    share = [part.astype(np.float32) * 0.98 for part in (face, body)]
    return strip, Regions(share[0], share[1], *(np.zeros_like(share[0]),) * 2, share[0] + share[1])


def found(start_mm: float, tip_mm: float, upper_mm: Array, lower_mm: Array) -> BladeRegion:
    return find_region(*drawn(start_mm, tip_mm, upper_mm, lower_mm))


@pytest.mark.parametrize("slope", [0.0, 0.04, -0.07])
def test_a_plain_blade_is_found_where_it_is(slope: float) -> None:
    middle = 0.6 + slope * (S_MM - 1.0)
    region = found(-22.0, 1.0, middle + 3.7, middle - 3.7)
    assert region.start_mm == pytest.approx(-22.0, abs=2 * STEP_MM)
    assert region.tip_mm == pytest.approx(1.0, abs=2 * STEP_MM)
    assert region.width_mm == pytest.approx(7.4, abs=3 * STEP_MM)
    assert region.slope == pytest.approx(slope, abs=0.002)  # a sample over the blade's length
    np.testing.assert_allclose(region.ends[:, 1], 0.6 + slope * (region.ends[:, 0] - 1.0), atol=2 * STEP_MM)


def test_a_cut_edge_does_not_turn_the_blade() -> None:
    cut = 3.7 - 2.5 * np.clip((S_MM + 22) / 22, 0, 1) * (np.sin(S_MM) > 0)  # deeper and deeper toward the tip
    region = found(-22.0, 0.0, cut, np.full(len(S_MM), -3.7))
    assert region.slope == pytest.approx(0.0, abs=0.003)


def test_a_patch_beside_the_blade_is_left_out() -> None:
    strip, regions = drawn(-22.0, 0.0, np.full(len(S_MM), 3.7), np.full(len(S_MM), -3.7))
    face = regions.face.copy()
    face[5:40, 300:360] = 0.9
    assert find_region(strip, replace(regions, face=face)) == find_region(strip, regions)


def test_without_a_blade_the_key_is_unclear() -> None:
    strip, regions = drawn(-22.0, 0.0, np.full(len(S_MM), 3.7), np.full(len(S_MM), -3.7))
    with pytest.raises(PhotoError) as caught:
        find_region(strip, replace(regions, face=0.3 * regions.face))
    assert caught.value.code == "key-unclear"


@pytest.mark.parametrize("head", ["metal", "plastic"])
def test_what_lies_behind_the_collar_tells_what_the_head_is_made_of(head: str) -> None:
    strip, regions = drawn(-22.0, 0.0, np.full(len(S_MM), 3.7), np.full(len(S_MM), -3.7))
    region = find_region(strip, regions)
    behind = np.repeat((S_MM < -28.6)[None, :] * np.float32(0.9), len(V_MM), axis=0)
    part = {"plastic": behind} if head == "plastic" else {"body": np.maximum(regions.body, behind)}
    assert head_of(strip, replace(regions, **part), region) == head
    assert head_of(strip, regions, region) is None  # only collar is seen


@pytest.mark.parametrize("across_mm", [(1.5, 1.5), (-1.2, 1.2)])
def test_a_silhouette_that_is_off_gives_the_same_edges(across_mm: tuple[float, float]) -> None:
    scene = view_of(tilt_deg=12.0, azimuth_deg=60.0)
    off = {"neck_off_mm": (0.5, across_mm[0]), "tip_off_mm": (-1.0, across_mm[1]), "width_off_mm": 2.0}
    outlines = [
        find_outline(photo_of(scene), scale_of(scene), silhouette_of(scene, **errors))  # type: ignore[arg-type]
        for errors in (COARSE, off)
    ]
    edges = [found_on_face(scene, outline, outline.lower) for outline in outlines]
    on_blade = [edge[(edge[:, 0] > 1) & (edge[:, 0] < KEY.length_mm - 3), 1] for edge in edges]
    assert np.median(on_blade[1]) == pytest.approx(np.median(on_blade[0]), abs=0.01)  # below an edge's uncertainty
