"""Coins: their sizes, and posing the camera from a coin of told size.

Expected values of pictures are the drawn scene's own.  Sizes are checked against the mints' pages where seen.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.scales import card
from keyid.scales.camera import Camera
from keyid.scales.card_fit import resized_camera
from keyid.scales.coin import COINS, Coin, CoinError, coin_named
from keyid.scales.reference import find_scale
from keyid.scales.told import Told
from tests.unit.drawn_scene import around, errors_and_u, paint, photo, plan_of, posed, taken

Array = NDArray[np.float64]

QUARTER = coin_named("US quarter")
FACE, RING, WALL = (150.0, 160.0, 165.0), (110.0, 118.0, 120.0), (70.0, 85.0, 95.0)
FAINT_FACE = (195.0, 203.0, 208.0)  # nearly the paper's
PAPER, RULE, SHADE = (225.0, 228.0, 230.0), (190.0, 150.0, 120.0), (124.0, 125.0, 126.0)
CARD = (180.0, 90.0, 40.0)
WALL_STEPS = 5
F35 = 50.0  # mm: about 11 pixels per mm


def draw(
    camera: Camera,
    coin: Coin = QUARTER,
    ruled: bool = True,
    there: bool = True,
    card_at_mm: tuple[float, float] | None = None,
    face: tuple[float, float, float] = FACE,
) -> NDArray[np.uint8]:
    """A coin on ruled paper with its wall, a ring inside its rim and a hard shadow."""
    table = plan_of(camera, 0.0)
    picture = np.empty((*table.shape[:2], 3))
    picture[:] = PAPER
    if ruled:
        off = np.abs(np.mod(table[..., 1], 8.0) - 4.0) - 0.2
        paint(picture, off, table, RULE)
    if there:
        part = around(camera, coin.diameter_mm)
        _put(picture[part], camera, coin, part, face)
    if card_at_mm is not None:
        _put_card(picture, camera, card_at_mm)
    return taken(picture)


def _put_card(picture: Array, camera: Camera, at_mm: tuple[float, float]) -> None:
    """Lay a card with its middle at a place."""
    plan = plan_of(camera, card.THICKNESS_MM)
    beyond = np.abs(plan - np.array(at_mm)) - np.array([card.WIDTH_MM, card.HEIGHT_MM]) / 2 + card.RADIUS_MM
    outside = np.linalg.norm(np.maximum(beyond, 0), axis=-1) + np.minimum(beyond.max(axis=-1), 0) - card.RADIUS_MM
    paint(picture, outside, plan, CARD)


def _put(
    picture: Array, camera: Camera, coin: Coin, part: tuple[slice, slice], face: tuple[float, float, float]
) -> None:
    """Lay the coin into its part of the picture."""
    radius = coin.diameter_mm / 2
    table = plan_of(camera, 0.0, part)
    paint(picture, np.linalg.norm(table - [0.9, 0.6], axis=-1) - radius, table, SHADE)
    for height in np.linspace(0, coin.thickness_mm, WALL_STEPS)[:-1]:
        paint(picture, np.linalg.norm(plan_of(camera, height, part), axis=-1) - radius, table, WALL)
    top = np.linalg.norm(plan_of(camera, coin.thickness_mm, part), axis=-1)
    paint(picture, top - radius, table, face)
    paint(picture, np.abs(top - radius + 1.0) - 0.1, table, RING)


@pytest.mark.parametrize(("yaw", "tilt"), [(0, 0), (37, 12), (90, 20), (155, 30), (-80, 8)])
def test_lengths_beside_the_coin_are_right_within_their_uncertainty(yaw: float, tilt: float) -> None:
    """Tilts to all sides: an ellipse alone leaves two for each."""
    truth = posed(yaw, tilt, f35=F35, distance_mm=150.0, aim_mm=(0.0, -15.0))
    scale = find_scale(photo(draw(truth), F35), Told(QUARTER))
    error, u = errors_and_u(scale, truth)
    assert (scale.reference, scale.focal) == ("coin", "exif")
    assert np.all(np.abs(error) < 2.5 * u)
    assert np.all(u < 0.08)  # 60 mm away: the tilt is what is unsure
    assert scale.camera.tilt_deg == pytest.approx(truth.tilt_deg, abs=2.5)


@pytest.mark.parametrize(("face", "seed"), [(FACE, 1), (FACE, 2), (FAINT_FACE, 1), (FAINT_FACE, 3)])
def test_a_small_coin_whose_rim_its_shadow_hides_is_as_unsure_as_it_is_off(
    face: tuple[float, float, float], seed: int
) -> None:
    """As messengers send one: five pixels per mm and grain.  Ring and shadow together draw a bolder curve."""
    truth = posed(30, 12, f35=F35, distance_mm=150.0, aim_mm=(0.0, -15.0))
    shrunk, camera = _shrunk(draw(truth, face=face), truth, 0.45, seed)
    error, u = errors_and_u(find_scale(photo(shrunk, F35), Told(QUARTER)), camera)
    assert np.all(np.abs(error) < 2.5 * u)


def test_grain_is_no_coin() -> None:
    truth = posed(30, 12, f35=F35, distance_mm=150.0, aim_mm=(0.0, -15.0))
    grain, _ = _shrunk(draw(truth, there=False), truth, 0.45, 2)
    with pytest.raises(PhotoError, match="No coin"):
        find_scale(photo(grain, F35), Told(QUARTER))


def _shrunk(picture: NDArray[np.uint8], camera: Camera, part: float, seed: int) -> tuple[NDArray[np.uint8], Camera]:
    """A picture with fewer pixels and grain, and the camera that takes it."""
    small = cv2.resize(picture, None, fx=part, fy=part, interpolation=cv2.INTER_AREA)
    grainy = small + np.random.default_rng(seed).normal(0.0, 3.0, small.shape)
    return np.clip(grainy, 0, 255).astype(np.uint8), resized_camera(camera, part)


def test_without_lines_both_tilts_are_carried() -> None:
    """Of a circle's two poses one is as good as the other; then lengths are as unsure as the two differ."""
    truth = posed(30, 12, f35=F35, distance_mm=150.0, aim_mm=(0.0, -15.0))
    scale = find_scale(photo(draw(truth, ruled=False), F35), Told(QUARTER))
    error, u = errors_and_u(scale, truth)
    assert scale.rival is not None
    assert np.all(np.abs(error) < 2.5 * u)
    assert np.all(u > 0.01)


def test_a_round_key_head_is_not_taken_for_the_coin() -> None:
    """The head is larger than the coin and as round but for the blade that begins there."""
    truth = posed(8, 8, f35=F35, distance_mm=190.0, aim_mm=(0.0, -20.0))
    picture = draw(truth, ruled=False).astype(float)
    plan = plan_of(truth, 0.0) - [0.0, -38.0]
    head = np.linalg.norm(plan, axis=-1) - 14.0
    blade = np.max([np.abs(plan[..., 1]) - 4.0, -plan[..., 0], plan[..., 0] - 40.0], axis=0)
    paint(picture, np.minimum(head, blade), plan, FACE)
    outline = find_scale(photo(taken(picture), F35), Told(QUARTER)).outline_px
    assert np.linalg.norm(outline.mean(axis=0) - truth.project(np.zeros(3))) < 20.0


def test_the_outline_lies_on_the_coin() -> None:
    truth = posed(20, 10, f35=F35, distance_mm=150.0, aim_mm=(0.0, -15.0))
    outline = find_scale(photo(draw(truth), F35), Told(QUARTER)).outline_px
    on_top = truth.on_height(outline, QUARTER.thickness_mm)
    assert np.abs(np.linalg.norm(on_top, axis=1) - QUARTER.diameter_mm / 2).max() < 0.15


@pytest.mark.parametrize("told", [QUARTER, coin_named("2 euro")])
def test_a_coin_beside_a_card_is_checked_by_it(told: Coin) -> None:
    """The drawn coin is a quarter: told so, the card gives the scale; told to be another, the two disagree."""
    truth = posed(8, 8, f35=F35, distance_mm=190.0, aim_mm=(0.0, -31.0))
    picture = photo(draw(truth, ruled=False, card_at_mm=(0.0, -43.0)), F35)
    if told is QUARTER:
        assert find_scale(picture, Told(told)).reference == "id1-card"
        return
    with pytest.raises(PhotoError, match=r"the coin is 24\.\d mm wide, not 25.75 mm") as caught:
        find_scale(picture, Told(told))
    assert caught.value.code == "reference-unclear"


def test_a_coin_of_untold_size_is_asked_for() -> None:
    with pytest.raises(PhotoError, match="which coin it is can't be seen") as caught:
        find_scale(photo(draw(posed(20, 10, f35=F35, distance_mm=150.0, aim_mm=(0.0, -15.0))), F35))
    assert caught.value.code == "reference-unclear"


def test_a_told_coin_that_is_not_there_is_missed() -> None:
    with pytest.raises(PhotoError, match="No coin can be found") as caught:
        find_scale(photo(draw(posed(20, 10, f35=F35), there=False), F35), Told(QUARTER))
    assert caught.value.code == "no-reference"


@pytest.mark.parametrize(
    ("told", "diameter", "thickness"),
    [
        ("24.26", 24.26, 1.75),  # United States Mint, Coin Specifications (page, seen)
        ("quarter", 24.26, 1.75),
        ("US dime", 17.91, 1.35),
        ("50 euro cents", 24.25, 2.38),  # Council Regulation (EU) No 729/2014, as quoted
        ("2 Euro", 25.75, 2.20),
        ("UK 10p", 24.5, 1.85),  # The Royal Mint (page, seen)
        ("23,25 mm", 23.25, 2.33),
    ],
)
def test_a_coin_is_told_by_diameter_or_name(told: str, diameter: float, thickness: float) -> None:
    coin = coin_named(told)
    assert coin.diameter_mm == pytest.approx(diameter, abs=1e-9)
    assert coin.thickness_mm == pytest.approx(thickness, abs=0.35)


def test_an_unknown_diameter_has_an_unsure_thickness() -> None:
    assert coin_named("27").thickness_u_mm > 2 * QUARTER.thickness_u_mm


@pytest.mark.parametrize(
    ("told", "why"),
    [
        ("2.426", "No coin is 2.426 mm wide"),
        ("nan", "No coin is nan mm wide"),
        ("dollar", "may be US half dollar, US dollar"),
        ("groat", "not among the coins"),
        ("", "not among the coins"),
    ],
)
def test_what_can_not_be_a_coin_is_refused_with_what_to_tell(told: str, why: str) -> None:
    with pytest.raises(CoinError, match=why):
        coin_named(told)


def test_every_coin_has_a_plausible_size_and_a_source() -> None:
    """Ratios of thickness to diameter of coins in use are 0.06 to 0.11 (the table's own range; a slip stands out)."""
    for coin in COINS:
        assert 0.055 < coin.thickness_mm / coin.diameter_mm < 0.115
        assert coin.source
    assert len({coin.name for coin in COINS}) == len(COINS)
