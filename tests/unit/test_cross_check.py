"""Several references in one photo, drawn ray by ray: what agrees is weighed together, what doesn't is refused.

Every true length is the drawn scene's own.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.scales import card, sheet
from keyid.scales.camera import Camera
from keyid.scales.cross_check import SURENESS, together
from keyid.scales.reference import find_scale
from keyid.scales.ruler_rhythm import RHYTHMS
from keyid.scales.scale import Scale, Variation
from keyid.scales.told import ReferenceKind, Told
from tests.unit.drawn_scene import SIZE_PX, errors_and_u, paint, photo, plan_of, posed, taken
from tests.unit.test_ruler import BODY, MARK, TABLE

Array = NDArray[np.float64]

MM = next(rhythm for rhythm in RHYTHMS if rhythm.name == "mm")
CARD_AT_MM = np.array([0.0, -40.0])
CARD_FACE = (205.0, 120.0, 60.0)
RULER_THICK_MM, RULER_WIDE_MM, RULER_HALF_MM = 0.7, 22.0, 60.0


def view(tilt: float = 8.0) -> Camera:
    return posed(10.0, tilt, distance_mm=170.0, aim_mm=(0.0, -18.0))


def paint_card(picture: Array, camera: Camera, at_mm: Array = CARD_AT_MM) -> None:
    """A card with its round corners."""
    plan = plan_of(camera, card.THICKNESS_MM) - at_mm
    beyond = np.abs(plan) - np.array([card.WIDTH_MM, card.HEIGHT_MM]) / 2 + card.RADIUS_MM
    outside = np.linalg.norm(np.maximum(beyond, 0), axis=-1) + np.minimum(beyond.max(axis=-1), 0) - card.RADIUS_MM
    paint(picture, outside, plan, CARD_FACE)


def paint_ruler(picture: Array, camera: Camera, stretch: float) -> None:
    """A ruler along x above the card, its millimetres printed at a stretch."""
    plan = plan_of(camera, RULER_THICK_MM)
    x, y = plan[..., 0], plan[..., 1]
    body = np.max([np.abs(x) - RULER_HALF_MM - 4, -y - 0.6, y - RULER_WIDE_MM], axis=0)
    paint(picture, body, plan, BODY)
    step = MM.step_mm * stretch
    number = np.rint(x / step)
    level = sum((np.mod(number, every) == 0).astype(float) for every in MM.classes)
    stroke = np.max([np.abs(x - number * step) - 0.12, -y, y - 3.0 - 1.4 * level, np.abs(x) - RULER_HALF_MM], axis=0)
    paint(picture, stroke, plan, MARK)


def card_and_ruler(stretch: float) -> tuple[Camera, NDArray[np.uint8]]:
    camera = view()
    picture = np.empty((*SIZE_PX[::-1], 3))
    picture[:] = TABLE
    paint_card(picture, camera)
    paint_ruler(picture, camera, stretch)
    return camera, taken(picture)


def test_a_true_ruler_beside_a_card_agrees_and_both_are_named() -> None:
    truth, picture = card_and_ruler(1.0)
    scale = find_scale(photo(picture))
    assert scale.reference == "id1-card"
    (check,) = scale.checks
    assert check.reference == "ruler"
    assert abs(check.ratio - 1) < 3 * check.u
    assert check.u < 0.01
    error, u = errors_and_u(scale, truth)
    assert np.all(np.abs(error) < np.maximum(0.001, 2 * u))


@pytest.mark.parametrize("stretch", [0.97, 1.04])
def test_a_ruler_printed_at_another_size_is_caught_by_a_card(stretch: float) -> None:
    _, picture = card_and_ruler(stretch)
    with pytest.raises(PhotoError, match="By the bank card a millimetre on the ruler is") as caught:
        find_scale(photo(picture))
    assert caught.value.code == "reference-unclear"
    told_mm = float(caught.value.message.split()[-3])
    assert told_mm == pytest.approx(stretch, abs=0.01)
    assert "--reference card or --reference ruler" in caught.value.advice
    assert find_scale(photo(picture), Told(reference="id1-card")).reference == "id1-card"


def on_sheet(printed: float, card_at_mm: Array) -> tuple[Camera, NDArray[np.uint8]]:
    """The sheet's ring of markers, printed at another size, with a card on it."""
    camera = posed(5.0, 6.0, distance_mm=230.0, aim_mm=(0.0, -20.0))
    per_mm, half = 10.0, np.array([100.0, 75.0])
    page = np.full((1500, 2000), 235, np.uint8)
    for number, corners in enumerate(sheet.corners_mm()):
        left, top = np.rint((corners[0] + half) * per_mm).astype(int)
        marker = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(sheet.DICTIONARY), number, sheet.CELLS)
        cells = cv2.resize(marker, (160, 160), interpolation=cv2.INTER_NEAREST)
        page[top : top + 160, left : left + 160] = 25 + cells * (210 / 255)
    at = ((plan_of(camera, 0.0) / printed * [1.0, -1.0] + half) * per_mm - 0.5).astype(np.float32)
    smooth = cv2.GaussianBlur(page, (0, 0), 1.2)
    grey = cv2.remap(smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=(235,)).astype(float)
    picture = np.repeat(grey[..., None], 3, axis=2)
    paint_card(picture, camera, card_at_mm)
    return camera, taken(picture)


def test_a_card_makes_the_printed_sheet_surer() -> None:
    """Printed at 99.8 %, as printers do: the card takes most of that off and the rest is in the uncertainty."""
    truth, picture = on_sheet(0.998, np.array([0.0, 0.0]))
    alone, both = (find_scale(photo(picture), Told(reference=kind)) for kind in ("sheet", None))
    assert [check.reference for check in both.checks] == ["id1-card"]
    (error, u), (error_alone, u_alone) = errors_and_u(both, truth), errors_and_u(alone, truth)
    assert np.all(np.abs(error) < np.abs(error_alone))
    assert np.all(u < u_alone)
    assert np.all(np.abs(error) < 2 * u)


def test_a_sheet_printed_too_small_is_caught_by_a_card() -> None:
    _, picture = on_sheet(0.97, np.array([0.0, 0.0]))
    with pytest.raises(PhotoError, match=r"the measuring sheet was printed at 9[67]\.\d %") as caught:
        find_scale(photo(picture))
    assert "--bar" in caught.value.advice


def test_the_printed_outline_of_a_card_proves_nothing() -> None:
    """It was printed by the same printer."""
    _, picture = on_sheet(0.97, sheet.card_middle_mm() * 0.97)
    scale = find_scale(photo(picture))
    assert (scale.reference, scale.checks) == ("sheet", ())


def flat_scale(kind: ReferenceKind, size: float, size_u: float, pose_u: float) -> Scale:
    """A scale that takes lengths for ``size`` times what they are."""
    camera = posed(0.0, 0.0, aim_mm=(0.0, 0.0))
    grown = {factor: replace(camera, translation_mm=camera.translation_mm * factor) for factor in (size, 1.0)}
    square = np.array([[-30.0, -30.0, 0.0], [30.0, -30.0, 0.0], [30.0, 30.0, 0.0], [-30.0, 30.0, 0.0]])

    def varied(source: str, u: float) -> Variation:
        return Variation(source, replace(camera, translation_mm=camera.translation_mm * size * (1 + u)))

    both = (varied("reference size", size_u), varied("pose", pose_u))
    return Scale(kind, grown[size], "exif", both, camera.project(square), 0.0)


def test_sizes_are_weighed_by_their_variances() -> None:
    """Two references 0.6 % apart, 0.3 % and 0.4 % unsure: the mean by variances (GUM, H.5 in spirit; exact algebra)."""
    best, other = flat_scale("sheet", 1.006, 0.003, 0.0), flat_scale("id1-card", 1.0, 0.0, 0.0)
    joined = together([other, best], Told())
    weight = 0.003**2 / (0.003**2 + 0.004**2)  # 0.004: what the module adds for edges of any reference
    depth = posed(0.0, 0.0, aim_mm=(0.0, 0.0)).translation_mm[2]
    assert joined.camera.translation_mm[2] / depth == pytest.approx(1.006 ** (1 - weight), rel=1e-5)
    size = next(one for one in joined.variations if one.source == "reference size")
    left = size.camera.translation_mm[2] / joined.camera.translation_mm[2] - 1
    assert left == pytest.approx(0.003 * 0.004 / 0.005, rel=0.01)
    assert SURENESS.index("sheet") < SURENESS.index("id1-card") < SURENESS.index("coin")


def test_what_is_too_unsure_to_check_says_nothing() -> None:
    best, other = flat_scale("id1-card", 1.0, 0.001, 0.0), flat_scale("coin", 1.05, 0.0, 0.04)
    assert together([best, other], Told()) is best
