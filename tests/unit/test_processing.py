"""What a phone does to a picture must not move the blade's edges: the same scene with and without it.

Sharpening and fringes are as strong as phones and cheap lenses make them (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.blades.blade_measure import measure_blade
from keyid.outlines.outline import find_outline
from keyid.photos.light import codes_of_light, light_of_codes, light_of_levels
from tests.scene import Look
from tests.unit.known_scene import COARSE, KEY, photo_of, scale_of, silhouette_of, view_of

Pixels = NDArray[np.uint8]

AGREE_MM = 0.01  # with and without processing; a small depth step is thirty times that
SHRUNK_MM = 0.03  # at 6.5 px/mm that is a fifth of a pixel
SHARP_PX = 0.5  # blur at 13 px/mm: in mm that of a phone's 22 px/mm
LOOKS = {
    "bright metal on a dark table": Look(
        noise_grey=0.5, blur_px=0.9, table=(0.05, 0.05, 0.05), metal=(0.50, 0.55, 0.60), head_colour=(0.50, 0.55, 0.60)
    ),
    "brass on white paper": Look(noise_grey=0.5, blur_px=0.9),
}


def sharpened(pixels: Pixels) -> Pixels:
    """Halos of 1 to 2 px."""
    values = pixels.astype(np.float32)
    return np.clip(values + 0.8 * (values - cv2.GaussianBlur(values, (0, 0), 1.7)), 0, 255).astype(np.uint8)


def fringed(pixels: Pixels) -> Pixels:
    """Blue 1 px to one side, red 1 px to the other."""
    blue, green, red = cv2.split(pixels)
    size = pixels.shape[1::-1]
    moved = [
        cv2.warpAffine(plane, np.array([[1, 0, x], [0, 1, x]], np.float32), size, borderMode=cv2.BORDER_REPLICATE)
        for plane, x in ((blue, -0.7), (red, 0.7))
    ]
    return np.asarray(cv2.merge([moved[0], green, moved[1]]), np.uint8)


def both(pixels: Pixels) -> Pixels:
    return sharpened(fringed(pixels))


def measured(look: str, change: Callable[[Pixels], Pixels] | None = None, factor: float = 1.0) -> Blade:
    """KEY seen from straight above, its picture changed, then shrunk by a factor as messengers do."""
    scene = view_of(look=LOOKS[look] if factor == 1.0 else replace(LOOKS[look], blur_px=SHARP_PX))
    photo, scale, silhouette = photo_of(scene), scale_of(scene), silhouette_of(scene, **COARSE)
    pixels = photo.pixels if change is None else change(photo.pixels)
    if factor != 1.0:
        pixels = np.asarray(cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)

        def smaller(points_px: NDArray[np.float64]) -> NDArray[np.float64]:
            return (points_px + 0.5) * factor - 0.5

        x, y = smaller(np.array(scale.camera.centre_px))
        camera = replace(scale.camera, focal_px=scale.camera.focal_px * factor, centre_px=(x, y))
        scale = replace(scale, camera=camera, outline_px=smaller(scale.outline_px))
        silhouette = replace(
            silhouette, outline_px=smaller(silhouette.outline_px), blade_px=smaller(silhouette.blade_px)
        )
        photo = replace(photo, focal_35mm=None)  # messengers drop what the camera wrote
    outline = find_outline(replace(photo, pixels=pixels), scale, silhouette, KEY.thickness_mm)
    return measure_blade(outline, scale)[0]


@cache
def plain(look: str) -> Blade:
    return measured(look)


def roots_mm(blade: Blade) -> NDArray[np.float64]:
    """Heights at the middle of the four cuts."""
    near = [np.abs(blade.a.x_mm - cut.position_mm) < 0.3 for cut in KEY.cuts]
    return np.array([np.nanmedian(blade.a.height_mm[one]) for one in near])


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("change", [sharpened, fringed, both])
def test_sharpening_and_fringes_move_next_to_nothing(look: str, change: Callable[[Pixels], Pixels]) -> None:
    before, after = plain(look), measured(look, change)
    assert after.width.mm == pytest.approx(before.width.mm, abs=AGREE_MM)
    np.testing.assert_allclose(roots_mm(after), roots_mm(before), atol=AGREE_MM)


@pytest.mark.parametrize("look", LOOKS)
def test_shrinking_hardly_moves_edges(look: str) -> None:
    shrunk = measured(look, factor=0.5)
    assert shrunk.width.mm == pytest.approx(KEY.width_mm, abs=SHRUNK_MM)
    np.testing.assert_allclose(roots_mm(shrunk), [5.6, 4.6, 6.2, 5.2], atol=SHRUNK_MM)


def test_light_and_codes_are_each_others_inverse() -> None:
    levels = np.arange(256, dtype=np.uint8)
    np.testing.assert_array_equal(np.rint(255 * codes_of_light(light_of_levels(levels))), levels)
    np.testing.assert_allclose(light_of_codes(levels / 255), light_of_levels(levels), atol=1e-6)


def test_light_at_a_known_code() -> None:
    """Code 188 of 255 is half the light, within its step of 0.005: IEC 61966-2-1's formula worked out by hand."""
    assert light_of_levels(np.array([188], np.uint8))[0] == pytest.approx(0.5029, abs=1e-4)
