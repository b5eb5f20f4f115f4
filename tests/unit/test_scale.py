"""Finding a card and posing the camera, on drawn cards.

Every expected value is the drawn scene's own: the picture is computed ray by ray from the camera, the card's outline
from ISO/IEC 7810 (ID-1).  Limits of error are this project's own aims (0.1 % on a good photo).
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.scales import card
from keyid.scales.camera import Camera
from keyid.scales.reference import find_scale
from tests.unit.drawn_scene import SIZE_PX, errors_and_u, photo, posed

Array = NDArray[np.float64]

TABLE, FACE = (96.0, 120.0, 140.0), (205.0, 190.0, 60.0)


def draw(
    camera: Camera,
    face: tuple[float, float, float] = FACE,
    radius_mm: float = card.RADIUS_MM,
    size: card.CardSize = card.NOMINAL,
    hidden_mm: tuple[float, float] | None = None,
    light: float = 1.0,
) -> NDArray[np.uint8]:
    """The table with a card, each pixel coloured by the share of it that the card covers."""
    picture = np.empty((*SIZE_PX[::-1], 3), np.float32)
    picture[:] = TABLE
    corners = camera.project(card.corners_mm(size) * np.array([1.3, 1.5, 1.0]))
    left, top = np.clip(corners.min(axis=0).astype(int), 0, None)
    right, bottom = np.minimum(corners.max(axis=0).astype(int) + 1, SIZE_PX)
    x, y = np.meshgrid(np.arange(left, right, dtype=float), np.arange(top, bottom, dtype=float))
    plan = camera.on_height(np.stack([x, y], axis=-1), size.thickness_mm)
    beyond = np.abs(plan) - np.array([size.width_mm, size.height_mm]) / 2 + radius_mm
    outside = np.linalg.norm(np.maximum(beyond, 0), axis=-1) + np.minimum(beyond.max(axis=-1), 0) - radius_mm
    per_px = np.linalg.norm(plan[:, 1:] - plan[:, :-1], axis=-1).mean()
    cover = np.clip(0.5 - outside / per_px, 0, 1)[..., None]
    part = picture[top:bottom, left:right]
    part[:] = part * (1 - cover) + np.array(face) * cover
    if hidden_mm is not None:
        part[np.linalg.norm(plan - np.array(hidden_mm), axis=-1) < 9.0] = (120.0, 150.0, 215.0)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7) * light
    noise = np.random.default_rng(5).standard_normal(picture.shape, np.float32)
    return np.asarray(np.clip(np.rint(picture + 1.5 * noise), 0, 255), np.uint8)


@pytest.mark.parametrize(
    ("yaw", "tilt", "k1"), [(0, 0, 0.0), (37, 10, 0.03), (90, 20, -0.04), (155, 30, 0.0), (-80, 28, 0.02)]
)
def test_lengths_beside_the_card_are_right(yaw: float, tilt: float, k1: float) -> None:
    truth = posed(yaw, tilt, k1=k1)
    scale = find_scale(photo(draw(truth)))
    error, u = errors_and_u(scale, truth)
    assert scale.reference == "id1-card"
    assert scale.focal == "exif"
    assert np.all(np.abs(error) < np.maximum(0.001, 2 * u))
    assert np.all(u < 0.008)
    assert scale.camera.tilt_deg == pytest.approx(truth.tilt_deg, abs=0.6)


def test_outline_lies_on_the_drawn_card() -> None:
    truth = posed()
    outline = find_scale(photo(draw(truth))).outline_px
    drawn = truth.project(card.outline_mm())
    apart = min(np.abs(np.roll(outline, turn, axis=0) - drawn).max() for turn in (0, len(drawn) // 2))
    assert apart < 1.0


@pytest.mark.parametrize("corner", [0, 3])
def test_a_finger_on_a_corner_does_no_harm(corner: int) -> None:
    truth = posed(k1=0.02)
    at = card.corners_mm()[corner, :2] * 0.95
    error, u = errors_and_u(find_scale(photo(draw(truth, hidden_mm=(at[0], at[1])))), truth)
    assert np.all(np.abs(error) < np.maximum(0.001, 2 * u))


@pytest.mark.parametrize("k1", [-0.05, 0.05])
def test_distortion_shows_in_bent_sides(k1: float) -> None:
    scale = find_scale(photo(draw(posed(k1=k1, distance_mm=150.0))))
    assert scale.camera.k1 == pytest.approx(k1, abs=0.015)


def test_a_white_card_on_white_paper_is_found() -> None:
    truth = posed()
    faint = (TABLE[0] + 7, TABLE[1] + 7, TABLE[2] + 7)
    error, u = errors_and_u(find_scale(photo(draw(truth, face=faint))), truth)
    assert np.all(np.abs(error) < np.maximum(0.001, 2 * u))


@pytest.mark.parametrize("f35", [26.0, 50.0])
def test_perspective_tells_the_lens_without_exif(f35: float) -> None:
    truth = posed(tilt=25, f35=f35, distance_mm=190.0 * f35 / 26.0)
    scale = find_scale(photo(draw(truth), f35=None))
    error, u = errors_and_u(scale, truth)
    assert scale.focal == "estimated"
    assert scale.rival is None
    assert scale.camera.focal_px == pytest.approx(truth.focal_px, rel=0.08)
    assert np.all(np.abs(error) < np.maximum(0.001, 2 * u))


@pytest.mark.parametrize("f35", [26.0, 50.0])
def test_from_straight_above_both_lenses_are_carried(f35: float) -> None:
    truth = posed(tilt=0, f35=f35, distance_mm=190.0 * f35 / 26.0)
    scale = find_scale(photo(draw(truth), f35=None))
    assert scale.focal == "assumed"
    assert scale.rival is not None
    assert 0 < scale.rival_probability <= 0.5
    either = [errors_and_u(way, truth)[0] for way in (scale, scale.rival)]
    assert min(np.abs(error).max() for error in either) < 0.0015
    error, u = errors_and_u(scale, truth)
    assert np.all(np.abs(error) < 2 * u)


def test_a_crop_is_measured_with_more_doubt() -> None:
    truth = posed(tilt=15)
    pixels = draw(truth)
    left = 150
    moved = Camera(
        truth.focal_px,
        (truth.centre_px[0] - left, truth.centre_px[1]),
        truth.k1,
        truth.rotation,
        truth.translation_mm,
    )
    error, u = errors_and_u(find_scale(photo(pixels[:, left:], f35=None, whole=False)), moved)
    whole_u = errors_and_u(find_scale(photo(pixels)), truth)[1]
    assert np.all(np.abs(error) < 2 * u)
    assert np.all(u > whole_u)


def test_variations_name_every_source_of_doubt() -> None:
    truth = posed()
    scale = find_scale(photo(draw(truth)))
    sources = {variation.source for variation in scale.variations}
    assert sources == {
        *("reference size", "reference thickness", "focal length"),
        *("principal point", "distortion", "pose"),
    }


def test_card_tolerance_is_in_the_doubt() -> None:
    """A card at the limit of the unused card's tolerance, 85.72 x 54.03 mm (from memory of ISO/IEC 7810:2003)."""
    truth = posed()
    error, u = errors_and_u(find_scale(photo(draw(truth, size=card.CardSize(85.72, 54.03, 0.76)))), truth)
    assert np.all(error < -0.0004)
    assert np.all(np.abs(error) < 2 * u + 0.0005)


def test_a_sharp_cornered_sheet_is_no_card() -> None:
    with pytest.raises(PhotoError, match="No bank card") as caught:
        find_scale(photo(draw(posed(), radius_mm=0.01)))
    assert caught.value.code == "no-reference"


def test_a_business_card_is_no_bank_card() -> None:
    """85 x 55 mm with the bank card's corners: ISO/IEC 7810's proportion, 1.586, isn't met by 1.545."""
    with pytest.raises(PhotoError, match="No bank card") as caught:
        find_scale(photo(draw(posed(tilt=0), size=card.CardSize(85.6, 55.4, 0.76))))
    assert caught.value.code == "no-reference"


def test_an_empty_table_has_no_reference() -> None:
    noise = np.random.default_rng(7).normal(120, 6, (*SIZE_PX[::-1], 3))
    with pytest.raises(PhotoError, match="No bank card") as caught:
        find_scale(photo(np.asarray(noise, np.uint8)))
    assert caught.value.code == "no-reference"


def test_a_card_that_leaves_the_picture_is_named_so() -> None:
    with pytest.raises(PhotoError, match="leaves the picture") as caught:
        find_scale(photo(draw(posed(yaw=0, tilt=5, aim_mm=(95.0, 0.0)))))
    assert caught.value.code == "reference-cut-off"


def test_too_much_from_the_side() -> None:
    with pytest.raises(PhotoError, match="from the side") as caught:
        find_scale(photo(draw(posed(yaw=60, tilt=40))))
    assert caught.value.code == "too-tilted"


def test_too_dark() -> None:
    with pytest.raises(PhotoError, match="too dark") as caught:
        find_scale(photo(draw(posed(), light=0.06)))
    assert caught.value.code == "too-dark"


def test_a_chessboard_is_no_card() -> None:
    """Eight by five of its squares have about a card's proportion, but their edges run on past every corner."""
    x, y = np.meshgrid(np.arange(SIZE_PX[0]), np.arange(SIZE_PX[1]))
    board = np.where((x // 60 + y // 60) % 2, 210, 50).astype(np.float32)
    pixels = np.repeat(cv2.GaussianBlur(board, (0, 0), 0.7)[..., None], 3, axis=2)
    with pytest.raises(PhotoError, match=r"No bank card|leaves the picture"):
        find_scale(photo(np.asarray(pixels, np.uint8)))


@pytest.mark.parametrize(("tilt", "aim_mm"), [(16.0, (45.0, 30.0)), (26.0, (-28.0, 10.0))])
@pytest.mark.parametrize("f35", [26.0, None])
def test_a_crop_in_a_cameras_shape_is_seen_by_its_perspective(
    tilt: float, aim_mm: tuple[float, float], f35: float | None
) -> None:
    """Its file still tells the lens of the whole photo, whose axis is far from the crop's middle."""
    truth = posed(tilt=tilt, aim_mm=aim_mm, distance_mm=230.0)
    outline = truth.project(card.outline_mm())
    width = int(np.ptp(outline, axis=0).max() * 1.35) // 4 * 4
    height = width * 3 // 4
    left, top = np.clip(outline.mean(axis=0) - [width / 2, height / 2], 0, [1200 - width, 900 - height]).astype(int)
    pixels = np.ascontiguousarray(draw(truth)[top : top + height, left : left + width])
    x, y = truth.centre_px
    seen = Camera(truth.focal_px, (x - left, y - top), truth.k1, truth.rotation, truth.translation_mm)
    assert np.linalg.norm(np.subtract(seen.centre_px, (width / 2, height / 2))) > 0.1 * width
    scale = find_scale(photo(pixels, f35=f35))
    error, u = errors_and_u(scale, seen)
    assert (scale.cropped, scale.focal) == (True, "assumed")
    assert np.all(np.abs(error) < np.maximum(0.001, 2.5 * u))


@pytest.mark.parametrize("tilt", [0.0, 12.0, 30.0])
def test_a_whole_photo_is_not_taken_for_a_crop(tilt: float) -> None:
    assert not find_scale(photo(draw(posed(tilt=tilt, k1=0.04)))).cropped


def test_exif_of_another_photo_is_not_believed() -> None:
    """120 mm is told, 26 mm it was: under the told lens nothing in the picture looks like a card."""
    truth = posed(tilt=16.0, yaw=15.0)
    scale = find_scale(photo(draw(truth), f35=120.0))
    error, u = errors_and_u(scale, truth)
    assert scale.focal != "exif"
    assert np.all(np.abs(error) < np.maximum(0.001, 2.5 * u))


def test_a_thumbnail_is_too_coarse() -> None:
    small = cv2.resize(draw(posed()), (160, 120), interpolation=cv2.INTER_AREA)
    with pytest.raises(PhotoError, match="160 x 120 pixels") as caught:
        find_scale(photo(np.asarray(small, np.uint8)))
    assert caught.value.code == "too-coarse"


@pytest.mark.parametrize("size_px", [(101, 9000), (9000, 101)])
def test_a_sliver_of_a_picture_shows_no_reference(size_px: tuple[int, int]) -> None:
    with pytest.raises(PhotoError, match="No bank card") as caught:
        find_scale(photo(np.full((*size_px, 3), 200, np.uint8), whole=False))
    assert caught.value.code == "no-reference"
