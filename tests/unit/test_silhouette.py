"""Finding the key on synthetic tables drawn here: truth by construction, tolerances in mm."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales.camera import Camera
from keyid.scales.scale import Scale
from keyid.scales.table_view import TableView, fill_polygon, view_table
from keyid.silhouettes.key_cut import Part, refine_parts
from keyid.silhouettes.key_search import MIN_SCORE, Found
from keyid.silhouettes.key_shape import KeyShape, read_shape
from keyid.silhouettes.silhouette import find_silhouette

PX_PER_MM = 8.0
SIZE = (1200, 1600)
CARD_MM = np.array([[-42.8, -27.0], [42.8, -27.0], [42.8, 27.0], [-42.8, 27.0]])


def camera(px_per_mm: float = PX_PER_MM) -> Camera:
    """A camera 400 mm straight above the card's centre."""
    return Camera(400 * px_per_mm, (799.5, 599.5), 0.0, np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 400.0]))


def key_polygons(at_mm: tuple[float, float], turn_deg: float, head_mm: float = 24.0) -> list[np.ndarray]:
    """A round head at the place, a collar, and a blade 8 mm wide and 25 mm long with two cuts; mm, x to the tip."""
    angles = np.linspace(0, 2 * np.pi, 60)
    head = head_mm / 2 * np.column_stack([np.cos(angles), np.sin(angles)])
    start = head_mm / 2 - 1.0
    blade = np.array(
        [[start, -5.5], [start + 6, -5.5], [start + 6, -4], [start + 31, -4], [start + 31, 2], [start + 29, 4],
         [start + 22, 4], [start + 20, 2], [start + 18, 2], [start + 16, 4], [start + 13, 1.5], [start + 11, 1.5],
         [start + 9, 4], [start + 6, 4], [start + 6, 5.5], [start, 5.5]]
    )  # fmt: skip
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return [part @ rotation.T + np.array(at_mm) for part in (head, blade)]


def draw(canvas: np.ndarray, polygon_mm: np.ndarray, colour: tuple[int, int, int]) -> None:
    ground = np.column_stack([polygon_mm, np.zeros(len(polygon_mm))])
    corners = np.round(camera().project(ground) * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(canvas, [corners], colour, cv2.LINE_AA, 4)


def table(keys: list[list[np.ndarray]], surface: int = 205, metal: int = 120) -> tuple[Photo, Scale]:
    """A grey table with noise, a dark card in the middle, and keys."""
    canvas = np.full((*SIZE, 3), surface, np.uint8)
    draw(canvas, CARD_MM, (70, 50, 40))
    for key in keys:
        for part in key:
            draw(canvas, part, (metal, metal, metal))
    noise = np.random.default_rng(5).normal(0, 3, canvas.shape)
    pixels = np.clip(cv2.GaussianBlur(canvas, (0, 0), 1.0) + noise, 0, 255).astype(np.uint8)
    outline = camera().project(np.column_stack([CARD_MM, np.zeros(4)]))
    return Photo("drawn.png", "0" * 64, pixels, None, True), Scale("id1-card", camera(), "exif", (), outline, 0.76)


@pytest.mark.parametrize("turn_deg", [0.0, 35.0, 140.0])
@pytest.mark.parametrize("surface", [205, 60])
def test_finds_blade_of_drawn_key(turn_deg: float, surface: int) -> None:
    photo, scale = table([key_polygons((0.0, -50.0), turn_deg)], surface)
    found = find_silhouette(photo, scale)
    neck, tip = scale.camera.on_height(found.blade_px, 0.0)
    direction = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    across = np.array([-direction[1], direction[0]])
    centre = np.array([0.0, -50.0])
    assert found.head == "metal"
    assert abs(found.width_mm - 8.0) < 1.0  # mm
    assert (tip - centre) @ direction == pytest.approx(42.0, abs=1.0)  # mm
    assert (neck - centre) @ direction == pytest.approx(11.0, abs=2.0)  # mm
    assert abs((tip - centre) @ across) < 0.7  # mm
    assert abs((neck - centre) @ across) < 0.7  # mm


def test_key_on_the_card_is_found() -> None:
    photo, scale = table([key_polygons((-15.0, 0.0), 10.0)], metal=190)
    found = find_silhouette(photo, scale)
    tip = scale.camera.on_height(found.blade_px, 0.0)[1]
    truth = np.array([-15.0, 0.0]) + 42.0 * np.array([np.cos(np.radians(10)), np.sin(np.radians(10))])
    assert np.linalg.norm(tip - truth) < 1.2  # mm


def shadowed() -> tuple[Photo, Scale]:
    """A brass key whose soft shadow, half the table's light, reaches 2 mm further down."""
    photo, scale = table([])
    light = np.full(photo.pixels.shape, 255, np.uint8)
    for part in key_polygons((0.0, -52.0), 0.0):
        draw(light, part, (130, 130, 130))
    canvas = (photo.pixels * (cv2.GaussianBlur(light, (0, 0), 4.0) / 255.0)).astype(np.uint8)
    for part in key_polygons((0.0, -50.0), 0.0):
        draw(canvas, part, (88, 120, 132))
    noise = np.random.default_rng(3).normal(0, 3, canvas.shape)
    pixels = np.clip(cv2.GaussianBlur(canvas, (0, 0), 1.0) + noise, 0, 255).astype(np.uint8)
    return Photo("drawn.png", "0" * 64, pixels, None, True), scale


def test_shadow_is_cut_off_a_blob_that_holds_it() -> None:
    view = view_table(*shadowed(), 4.0)

    def mask_of(at_mm: tuple[float, float]) -> np.ndarray:
        parts = [fill_polygon(view.from_mm(part), view.seen.shape) for part in key_polygons(at_mm, 0.0)]
        return parts[0] | parts[1]

    key, held = mask_of((0.0, -50.0)), mask_of((0.0, -50.0)) | mask_of((0.0, -52.0))
    ahead = view.to_mm(np.stack(np.meshgrid(*map(np.arange, key.shape[::-1])), axis=-1))[..., 0] > 11.0
    core = cv2.erode(key.astype(np.uint8), np.ones((13, 13), np.uint8)).astype(bool)
    cut = refine_parts(view, held, [Part(core & ~ahead, ~ahead), Part(core & ahead, ahead)])
    assert np.count_nonzero(held & ~key) > 0.15 * np.count_nonzero(key)
    assert np.count_nonzero(cut & ~key) < 0.03 * np.count_nonzero(key)
    assert np.count_nonzero(key & ~cut) < 0.05 * np.count_nonzero(key)


def test_shadowed_key_has_its_own_width() -> None:
    assert abs(find_silhouette(*shadowed()).width_mm - 8.0) < 0.6  # mm; with its shadow 10


def code_of(photo: Photo, scale: Scale) -> str:
    with pytest.raises(PhotoError, match=r"\.") as caught:
        find_silhouette(photo, scale)
    return caught.value.code


@pytest.mark.parametrize(
    ("likeness", "score", "marked", "is_key"),
    [(0.9, 0.5, 0.0, True), (1.0, 0.02, 0.88, True), (1.0, 0.02, 0.6, False), (0.05, 0.001, 0.9, False)],
)
def test_a_key_has_steps_round_it_or_is_marked_by_the_network(
    likeness: float, score: float, marked: float, is_key: bool
) -> None:
    """The second: a head as dark as its table shows no step, but blade and shape are a key's and so marked."""
    here = np.ones((1, 1), bool)
    window = (slice(0, 1), slice(0, 1))
    view = TableView(np.zeros((1, 1, 3), np.uint8), here, ~here, 2.0, np.zeros(2))
    shape = KeyShape(np.array([30.0, 0.0]), np.zeros(2), 8.0, (25.0, 25.0), 0.0, likeness, ())
    assert Found(here, window, 1, window, view, here, shape, score, 1.0, score, marked).is_key is is_key


def test_errors_of_bad_photos() -> None:
    one = key_polygons((0.0, -50.0), 0.0)
    assert code_of(*table([])) == "no-key"
    assert code_of(*table([one, key_polygons((-30.0, 50.0), 20.0)])) == "several-keys"
    assert code_of(*table([key_polygons((62.0, -50.0), 0.0)])) == "key-cut-off"
    photo, scale = table([one])
    dark = Photo(photo.file, photo.sha256, (photo.pixels // 12).astype(np.uint8), None, True)
    assert code_of(dark, scale) == "too-dark"


def test_coarse_photo_is_refused() -> None:
    photo, scale = table([])
    far = Scale(scale.reference, camera(3.5), scale.focal, (), scale.outline_px, scale.thickness_mm)
    assert code_of(photo, far) == "too-coarse"


@pytest.mark.parametrize("shape", ["coin", "ruler", "wedge", "card"])
def test_other_things_are_not_keys(shape: str) -> None:
    mask = np.zeros((400, 400), np.uint8)
    if shape == "coin":
        cv2.circle(mask, (200, 200), 50, 1, -1)
    elif shape == "ruler":
        cv2.rectangle(mask, (10, 150), (390, 270), 1, -1)
    elif shape == "wedge":
        cv2.fillPoly(mask, [np.array([[50, 150], [50, 250], [300, 210], [300, 190]], np.int32).reshape(-1, 1, 2)], 1)
    else:
        cv2.rectangle(mask, (20, 20), (360, 236), 1, -1)
    found = read_shape(mask.astype(bool), 4.0)
    assert found is None or found.likeness < MIN_SCORE
