"""The straightened blade: what is sampled where, and that it runs along the blade."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from keyid.outlines.lie import LieInputs, place
from keyid.outlines.strip import MAP_STEP, gradients, peak_position, straighten
from keyid.photos.photo import Photo
from tests.scene import posed_camera

Array = NDArray[np.float64]

SIZE = (900, 1200)  # rows, columns
WAVE_PX = 70.0
INPUTS = LieInputs(0.0, 2.2, 0.0, 0.0, 0.0)


def waves(x: Array, y: Array) -> Array:
    """A smooth colour for every place of the photo, 0 to 1, in three channels."""
    phase = 2 * np.pi / WAVE_PX
    return np.stack(
        [0.5 + 0.4 * np.sin(phase * x), 0.5 + 0.4 * np.cos(phase * y), 0.5 + 0.4 * np.sin(phase * (x + y))], -1
    )


def photo_of_waves() -> Photo:
    rows, columns = np.mgrid[: SIZE[0], : SIZE[1]].astype(float)
    return Photo("waves.png", "", np.rint(255 * waves(columns, rows)).astype(np.uint8), None, True)


@pytest.mark.parametrize("px_per_mm", [10.0, 30.0])
def test_each_sample_holds_the_photo_where_its_point_is_seen(px_per_mm: float) -> None:
    camera = posed_camera(200 * px_per_mm, (600.0, 450.0), distance_mm=200.0, tilt_deg=20.0, azimuth_deg=40.0, k1=-0.02)
    centre = camera.on_height(np.array([[600.0, 450.0]]), 0.0)[0]
    length = 0.4 * SIZE[0] / px_per_mm
    ends = camera.project(np.array([[*centre, 2.2]]) + np.array([[-length / 2, 2.0, 0.0], [length / 2, -2.0, 0.0]]))
    lie = place(INPUTS, ends, camera)
    strip = straighten(photo_of_waves(), camera, lie, length, 5.0)
    points = np.stack(np.meshgrid(strip.s_mm, strip.v_mm), axis=-1)
    px = lie.to_px(points, camera)
    inside = np.all((px > 4) & (px < np.array(SIZE[::-1]) - 5), axis=-1)
    inside[-2 * MAP_STEP :], inside[:, -2 * MAP_STEP :] = False, False  # the map is coarser there: past tip and edge
    assert inside.mean() > 0.4
    # Rounding to 8 bits, twice, and OpenCV's steps of 1/32 px on a wave that rises by 0.05 a pixel: 0.004 + 0.001 for
    # the middle of errors, twice that for the worst.
    error = np.abs(strip.values - waves(px[..., 0], px[..., 1]))[inside]
    assert error.max() < 0.01
    assert error.mean() < 0.003


def test_columns_and_rows_are_where_stations_and_places_say() -> None:
    camera = posed_camera(2000.0, (600.0, 450.0), distance_mm=200.0)
    lie = place(INPUTS, camera.project(np.array([[-10.0, 0, 2.2], [10.0, 0, 2.2]])), camera)
    strip = straighten(photo_of_waves(), camera, lie, 20.0, 7.0)
    np.testing.assert_allclose(strip.column(strip.s_mm), np.arange(len(strip.s_mm)), atol=1e-6)
    np.testing.assert_allclose(strip.row(strip.v_mm), np.arange(len(strip.v_mm)), atol=1e-6)
    assert strip.values.shape == (len(strip.v_mm), len(strip.s_mm), 3)
    assert strip.v_mm[0] > 0 > strip.v_mm[-1]
    assert strip.s_mm[0] < -20.0 < 0.0 < strip.s_mm[-1]


# --- small parts -----------------------------------------------------------------------------------------------------


@given(st.floats(-0.5, 0.5), st.floats(0.1, 10), st.floats(-5, 5))
def test_the_peak_of_a_parabola_is_found_exactly(offset: float, bend: float, top: float) -> None:
    values = top - bend * (np.arange(7) - 3 - offset) ** 2
    assert peak_position(values, 3) == pytest.approx(3 + offset, abs=1e-6)  # rounding


@pytest.mark.parametrize(("values", "index"), [([3.0, 2.0, 1.0], 0), ([1.0, 2.0, 3.0], 2), ([1.0, 1.0, 1.0], 1)])
def test_where_there_is_no_peak_the_index_stays(values: list[float], index: int) -> None:
    assert peak_position(np.array(values), index) == index


def test_gradients_are_per_sample() -> None:
    rows, columns = np.mgrid[:30, :40].astype(np.float32)
    ramp = np.repeat((0.003 * columns - 0.007 * rows)[..., None], 3, axis=2)
    along, down = gradients(ramp)
    inner = (slice(8, -8), slice(8, -8))  # past the border's reflection
    np.testing.assert_allclose(along[inner], 0.003, atol=1e-6)
    np.testing.assert_allclose(down[inner], -0.007, atol=1e-6)
