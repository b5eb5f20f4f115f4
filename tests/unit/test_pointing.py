"""Pointing: what a person puts a finger on stands in for what isn't found, with the finger's uncertainty.

Scenes are made or drawn here, so every expected value is exact by construction; limits are stated uncertainties.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from numpy.typing import NDArray

from keyid import identify
from keyid.blades.blade import Blade
from keyid.blades.blade_measure import measure_blade
from keyid.commands.cli import main
from keyid.errors import PhotoError
from keyid.outlines.outline import FacePoint, Outline, find_outline
from keyid.photos.photo import Photo
from keyid.readings.reading import PointedFact
from keyid.reports.text import pointed_words
from keyid.scales import card
from keyid.scales.pointed import Point, Pointed
from keyid.scales.reference import find_scale
from keyid.scales.scale import Scale, Variation
from keyid.scales.told import Told
from keyid.silhouettes.silhouette import Silhouette, find_silhouette
from tests.scene import Scene
from tests.scene.outline import project_plan
from tests.unit.drawn_scene import SIZE_PX, errors_and_u, photo, posed
from tests.unit.example_examination import examination
from tests.unit.known_scene import COARSE, KEY, photo_of, scale_of, silhouette_of, view_of
from tests.unit.test_scale import draw
from tests.unit.test_silhouette import key_polygons, table

Array = NDArray[np.float64]

MANY_U = 4.0  # standard uncertainties: passed by chance once in 16,000 lengths if u is right
FINGER_PX = 3.0
CLOTH = (150, 160, 170)  # blue, green, red of what hides a part of the key


def scene() -> Scene:
    return view_of(tilt_deg=12.0, azimuth_deg=60.0, yaw_deg=20.0)


def pixel(made: Scene, x_mm: float, y_mm: float) -> Point:
    """Where a point of the key's upper face is seen."""
    truth = made.truth
    x, y = project_plan(np.array([[x_mm, y_mm]]), truth.up_mm, truth.pose, truth.camera)[0]
    return float(x), float(y)


def hidden(made: Scene, x_mm: tuple[float, float]) -> Photo:
    """The photo with a cloth over a stretch of the key and all beside it."""
    corners = np.array([pixel(made, x, y) for x, y in ((x_mm[0], -30), (x_mm[1], -30), (x_mm[1], 40), (x_mm[0], 40))])
    pixels = photo_of(made).pixels.copy()
    cv2.fillPoly(pixels, [np.round(corners).astype(np.int32)], CLOTH)
    return replace(photo_of(made), pixels=pixels)


def measured(made: Scene, shown: Photo, pointed: Pointed) -> tuple[Outline, Blade]:
    outline = find_outline(shown, scale_of(made), silhouette_of(made, **COARSE), pointed=pointed)  # type: ignore[arg-type]
    return outline, measure_blade(outline, scale_of(made))[0]


def test_a_hidden_shoulder_that_was_pointed_at_gives_length_and_stop() -> None:
    made = scene()
    shown = hidden(made, (-14.0, 1.2))
    _, alone = measured(made, shown, Pointed())
    assert alone.length is None or abs(alone.length.mm - KEY.length_mm) > 0.8  # mm: without help it is not found
    pointed = Pointed(stop_px=pixel(made, 0.0, KEY.width_mm))
    _, helped = measured(made, shown, pointed)
    assert helped.stop == "shoulder"
    assert helped.edges == 1
    assert helped.length is not None
    assert abs(helped.length.mm - KEY.length_mm) < MANY_U * helped.length.u_mm


def test_a_hidden_tip_that_was_pointed_at_gives_the_length() -> None:
    made = scene()
    shown = hidden(made, (KEY.length_mm - 2.0, KEY.length_mm + 15.0))
    _, helped = measured(made, shown, Pointed(tip_px=pixel(made, KEY.length_mm, KEY.width_mm / 2)))
    assert helped.length is not None
    assert abs(helped.length.mm - KEY.length_mm) < MANY_U * helped.length.u_mm


def test_stop_and_tip_next_to_each_other_leave_no_blade() -> None:
    made = scene()
    stop, tip = (pixel(made, x, KEY.width_mm / 2) for x in (0.0, 4.5))
    with pytest.raises(PhotoError) as raised:
        measured(made, photo_of(made), Pointed(stop_px=stop, tip_px=tip))
    assert raised.value.code == "key-unclear"


def test_a_stop_pointed_at_on_the_tip_makes_it_a_tip_stop() -> None:
    made = scene()
    outline, blade = measured(made, photo_of(made), Pointed(stop_px=pixel(made, KEY.length_mm - 0.5, 3.0)))
    assert outline.told_stop == "tip"
    assert (blade.stop, blade.length) == ("tip", None)


def test_the_fingers_uncertainty_is_the_spread_of_many_fingers() -> None:
    """Pointing again and again scatters the length by what the budget states."""
    made = scene()
    at = np.array(pixel(made, 0.0, KEY.width_mm))
    outline, blade = measured(made, photo_of(made), Pointed(stop_px=(at[0], at[1]), u_px=FINGER_PX))
    stated = next(line for line in blade.budget if line.source == "pointing")
    rng = np.random.default_rng(8)
    lengths = []
    for finger in at + rng.normal(0, FINGER_PX, (200, 2)):
        s_mm, v_mm = outline.lie.from_px(finger[None], outline.camera)[0]
        moved = replace(outline, shoulder_at=FacePoint(float(s_mm), float(v_mm), 0.1))
        length = measure_blade(moved, scale_of(made))[0].length
        assert length is not None
        lengths.append(length.mm)
    # 200 draws: their spread is known to 5 %, three times that is 15 %
    assert stated.length_mm == pytest.approx(float(np.std(lengths)), rel=0.15)
    assert stated.station_mm == stated.length_mm
    assert (stated.height_mm, stated.width_mm) == (0.0, 0.0)


def key_at(shown: Photo, scale: Scale, pointed: Pointed, run: identify.Runner = identify.plainly) -> Silhouette:
    return identify._locate_key(shown, scale, pointed, run)


def two_keys() -> tuple[Photo, Scale]:
    return table([key_polygons((-40.0, -50.0), 20.0), key_polygons((20.0, -50.0), 0.0)])


@pytest.mark.parametrize("head_mm", [(-40.0, -50.0), (20.0, -50.0)])
def test_of_two_keys_the_one_pointed_at_is_taken(head_mm: tuple[float, float]) -> None:
    shown, scale = two_keys()
    with pytest.raises(PhotoError, match="more than one key"):
        find_silhouette(shown, scale)
    x, y = scale.camera.project(np.array([*head_mm, 0.0]))
    found = find_silhouette(shown, scale, Pointed(key_px=(float(x), float(y))))
    neck = scale.camera.on_height(found.blade_px, 0.0)[0]
    assert np.linalg.norm(neck - head_mm) < 22.0  # mm: the head's radius and a collar; the other key is 60 mm off


def test_a_key_not_found_is_measured_between_stop_and_tip() -> None:
    shown, scale = table([])
    with pytest.raises(PhotoError, match="No key"):
        find_silhouette(shown, scale)
    ends = scale.camera.project(np.array([[0.0, -50.0, 0.0], [28.0, -50.0, 0.0]]))
    stop, tip = ((float(x), float(y)) for x, y in ends)
    assert np.allclose(find_silhouette(shown, scale, Pointed(stop_px=stop, tip_px=tip)).blade_px, ends)
    with pytest.raises(PhotoError, match="pointed at reads as a key"):
        find_silhouette(shown, scale, Pointed(tip_px=tip))


def test_moving_stop_and_tip_leaves_scale_and_key_as_they_were_found() -> None:
    """Each stage's inputs hold only that part of what was pointed at that it depends on."""
    made = scene()
    asked: dict[str, list[tuple[object, ...]]] = {}

    def run(stage: str, step: Callable[..., Any], *inputs: object) -> Any:  # noqa: ANN401
        asked.setdefault(stage, []).append(inputs)
        known = {"scale": scale_of(made), "key": silhouette_of(made, **COARSE)}  # type: ignore[arg-type]
        return known[stage] if stage in known else step(*inputs)

    for x in (0.0, 0.3):
        pointed = Pointed(stop_px=pixel(made, x, KEY.width_mm), tip_px=pixel(made, KEY.length_mm + x, 3.0))
        identify.measure(photo_of(made), Told(pointed=pointed), run)
    assert [inputs[1] for inputs in asked["scale"]] == [Told(), Told()]
    assert [inputs[2] for inputs in asked["key"]] == [Pointed(), Pointed()]
    assert len({inputs[3] for inputs in asked["edges"]}) == 2
    assert len(asked["strip"]) == 2
    assert {inputs[4] for inputs in asked["strip"]} == {Pointed()}


def test_a_stop_off_the_key_that_was_found_is_searched_for_anew() -> None:
    shown, scale = table([key_polygons((0.0, -50.0), 0.0)])
    on, off = scale.camera.project(np.array([[17.0, -46.0, 0.0], [2.0, 50.0, 0.0]]))
    found = find_silhouette(shown, scale)
    assert np.array_equal(key_at(shown, scale, Pointed(stop_px=(on[0], on[1]))).blade_px, found.blade_px)
    with pytest.raises(PhotoError, match="pointed at reads as a key"):
        key_at(shown, scale, Pointed(stop_px=(off[0], off[1])))


def test_the_scale_depends_on_the_corners_only_of_what_is_pointed_at() -> None:
    corners = ((0.0, 0.0), (9.0, 0.0), (9.0, 6.0), (0.0, 6.0))
    plain = Told(reference="id1-card", thickness_mm=2.0, pointed=Pointed(stop_px=(1.0, 2.0), u_px=5.0))
    assert plain.of_scale == Told(reference="id1-card")
    assert replace(plain, pointed=Pointed(corners, u_px=5.0)).of_scale != plain.of_scale


def fingers(at: Array, seed: int) -> tuple[Point, Point, Point, Point]:
    """Four points pointed at, each a little off."""
    one, two, three, four = at + np.random.default_rng(seed).normal(0, FINGER_PX, at.shape)
    return (one[0], one[1]), (two[0], two[1]), (three[0], three[1]), (four[0], four[1])


def test_a_card_pointed_at_is_measured_by_its_rims() -> None:
    truth = posed(yaw=37.0, tilt=14.0)
    shown = photo(draw(truth))
    corners = fingers(truth.project(card.corners_mm()), 1)
    told, found = (find_scale(shown, one) for one in (Told(pointed=Pointed(corners)), Told()))
    assert not any(one.source == "pointing" for one in told.variations)
    apart = told.camera.project(card.corners_mm()) - found.camera.project(card.corners_mm())
    turned = told.camera.project(card.corners_mm()) - np.roll(found.camera.project(card.corners_mm()), 2, axis=0)
    assert min(np.abs(apart).max(), np.abs(turned).max()) < 0.3  # px: a tenth of the finger


def test_corners_alone_give_a_scale_as_sure_as_fingers_are() -> None:
    """On a picture that shows nothing, errors over many fingers are what is stated."""
    truth = posed(yaw=37.0, tilt=14.0)
    nothing = photo(np.full((*SIZE_PX[::-1], 3), 128, np.uint8))
    corners = truth.project(card.corners_mm())
    off = []
    for seed in range(12):
        scale = find_scale(nothing, Told(pointed=Pointed(fingers(corners, seed), u_px=FINGER_PX)))
        assert any(one.source == "pointing" for one in scale.variations)
        error, u = errors_and_u(scale, truth)
        off.extend(error / u)
    # 24 errors, two by two much alike: the root mean square of as many normal ones lies between these 99 times in 100
    assert 0.4 < np.sqrt(np.mean(np.square(off))) < 1.6


@pytest.mark.parametrize(
    "corners",
    [
        ((10.0, 10.0), (400.0, 12.0), (800.0, 10.0), (1100.0, 12.0)),  # in one line
        ((10.0, 10.0), (30.0, 10.0), (30.0, 25.0), (10.0, 25.0)),  # a speck
        ((100.0, 100.0), (900.0, 100.0), (350.0, 300.0), (100.0, 700.0)),  # one inside the others' triangle
    ],
)
def test_corners_of_no_rectangle_are_refused(corners: tuple[Point, Point, Point, Point]) -> None:
    nothing = photo(np.full((*SIZE_PX[::-1], 3), 128, np.uint8))
    with pytest.raises(PhotoError, match="not those of a rectangle") as refused:
        find_scale(nothing, Told(pointed=Pointed(corners)))
    assert refused.value.code == "reference-unclear"


def test_a_point_outside_the_photo_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "key.png"
    cv2.imwrite(str(path), np.full((120, 160, 3), 128, np.uint8))
    done = CliRunner().invoke(main, ["read", str(path), "--tip", "160,20"])
    assert done.exit_code == 1
    assert done.stderr.startswith("The point 160,20 lies outside the photo, which has 160 x 120 pixels")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--stop", "12"], "'12' is not a point in pixels, as in 1204,877."),
        (["--corners", "1,2", "3,4", "5,6"], "--corners"),
        (["--reference", "sheet", "--corners", "1,2", "3,4", "5,6", "7,8"], "the sheet's markers are found or not"),
        (["--within", "0"], "--within"),
    ],
)
def test_what_is_no_point_is_a_wrong_command(tmp_path: Path, options: list[str], said: str) -> None:
    path = tmp_path / "key.png"
    cv2.imwrite(str(path), np.full((120, 160, 3), 128, np.uint8))
    done = CliRunner().invoke(main, ["read", str(path), *options])
    assert done.exit_code == 2
    assert said in done.stderr


def test_the_command_line_hands_on_what_was_pointed_at(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = tmp_path / "key.png"
    cv2.imwrite(str(path), np.full((120, 160, 3), 128, np.uint8))
    asked: list[Told] = []
    pointed = (PointedFact("stop", 0.11), PointedFact("key", None))

    def examine(_: Path, *, told: Told, **__: object) -> object:
        asked.append(told)
        return examination(pointed=pointed)

    monkeypatch.setattr(identify, "examine", examine)
    corners = ["--corners", "1,2", "150,4", "150.5,100", "7,98"]
    done = CliRunner().invoke(main, ["read", str(path), *corners, "--stop", "12,34.5", "--key", "9,9", "--within", "2"])
    assert done.exit_code == 0
    four = ((1.0, 2.0), (150.0, 4.0), (150.5, 100.0), (7.0, 98.0))
    assert asked == [Told(pointed=Pointed(four, (12.0, 34.5), None, (9.0, 9.0), 2.0))]
    assert "the stop (±0.22 mm), the key (its place was measured)" in " ".join(done.stdout.split())


def test_the_reading_names_what_was_pointed_at() -> None:
    made = examination(pointed=(PointedFact("stop", 0.11), PointedFact("reference", None))).reading
    assert made.to_json()["pointed"] == [{"what": "stop", "u": 0.11}, {"what": "reference", "u": None}]
    assert (
        pointed_words(made) == "Pointed at in the photo: the stop (±0.22 mm), the reference (its place was measured)."
    )
    assert "pointed" not in examination().reading.to_json()


def test_pointing_at_corners_is_named_among_what_limits_a_photo() -> None:
    made = view_of()
    scale = scale_of(
        made, (Variation("pointing", replace(made.truth.camera, focal_px=made.truth.camera.focal_px * 1.02)),)
    )
    remarks = identify.advise(photo_of(made), scale, silhouette_of(made))
    assert any("pointed at, not measured" in remark.what for remark in remarks)


def test_points_on_a_screenshot_are_counted_from_the_photos_corner() -> None:
    corners = ((30.0, 110.0), (90.0, 110.0), (90.0, 150.0), (30.0, 150.0))
    seen = Pointed(corners, key_px=(50.0, 130.0), tip_px=(60.0, 140.0)).seen_from(20, 100)
    assert seen.corners_px == ((10.0, 10.0), (70.0, 10.0), (70.0, 50.0), (10.0, 50.0))
    assert (seen.key_px, seen.tip_px, seen.stop_px) == ((30.0, 30.0), (40.0, 40.0), None)
