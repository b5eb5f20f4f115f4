"""What is told of a photo before a key is read, on scenes whose faults are known because they were made."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from keyid.blades.blade import BudgetLine
from keyid.readings.photo_advice import advise
from keyid.readings.remark import Remark, expected_mm
from keyid.reports.text_advice import advice_text
from keyid.scales import card
from keyid.scales.camera import Camera
from keyid.scales.scale import Scale, Variation
from keyid.scales.sharpness import with_blur
from keyid.silhouettes.silhouette import Silhouette
from tests.unit.drawn_scene import paint, photo, plan_of, posed, taken
from tests.unit.measured_blade import PIER, key_of, measured

TABLE = (150.0, 155.0, 160.0)
KEY_Y_MM, LENGTH_MM, WIDTH_MM = -45.0, 30.0, 8.0


def remarks(
    tilt: float = 0.0,
    blur_px: float = 0.7,
    metal: float = 125.0,
    shadow: float = 1.0,
    light: float = 1.0,
    **lens: float,
) -> tuple[Remark, ...]:
    """The advice on a card and a blade drawn with these faults."""
    camera = posed(
        0.0, tilt, f35=lens.get("f35", 40.0), distance_mm=lens.get("distance_mm", 200.0), aim_mm=(0.0, -20.0)
    )
    plan = plan_of(camera, 0.0)
    picture = np.empty((*plan.shape[:2], 3))
    picture[:] = TABLE
    away = np.abs(plan - [0.0, KEY_Y_MM]) - [LENGTH_MM / 2, WIDTH_MM / 2]
    paint(
        picture,
        np.max([away[..., 0], KEY_Y_MM - 14 - plan[..., 1], plan[..., 1] - KEY_Y_MM], axis=0),
        plan,
        tuple(shadow * value for value in TABLE),
    )
    paint(picture, away.max(axis=-1), plan, (metal, metal, metal))
    half = np.array([card.WIDTH_MM, card.HEIGHT_MM]) / 2
    paint(picture, (np.abs(plan - [0.0, 10.0]) - half).max(axis=-1), plan, (200.0, 90.0, 40.0))
    seen = photo(taken(light * picture, blur_px))
    return advise(seen, with_blur(seen, _scale(camera)), _silhouette(camera))


def _scale(camera: Camera, *variations: Variation) -> Scale:
    outline = camera.project(card.corners_mm() * [1.0, 1.0, 0.0] + [0.0, 10.0, 0.0])
    return Scale("id1-card", camera, "exif", variations, outline, card.THICKNESS_MM)


def _silhouette(camera: Camera) -> Silhouette:
    ends = camera.project(np.array([[-LENGTH_MM / 2, KEY_Y_MM, 0.0], [LENGTH_MM / 2, KEY_Y_MM, 0.0]]))
    return Silhouette(ends, ends, WIDTH_MM, "metal")


def said(found: tuple[Remark, ...], words: str) -> float:
    """What the remark with these words costs; 0 when nothing is said of it."""
    return sum(one.cost_mm for one in found if words in one.what)


@pytest.mark.parametrize(
    ("faults", "words"),
    [
        ({"tilt": 25.0}, "slanted by 25 degrees"),
        ({"blur_px": 1.3}, "blurred"),
        ({"metal": 255.0}, "glares on 100 %"),
        ({"light": 0.2}, "dark."),
        ({"shadow": 0.3}, "shadow"),
        ({"f35": 26.0, "distance_mm": 200.0, "blur_px": 0.4}, "pixels to a mm"),
    ],
)
def test_a_fault_is_told_where_it_is_and_only_there(faults: dict[str, float], words: str) -> None:
    kind = words.split(" by ")[0].removeprefix("on ")
    assert said(remarks(**faults), words) > 0.04
    assert said(remarks(f35=60.0), kind) < 0.04


def test_more_slant_costs_more() -> None:
    costs = [said(remarks(tilt=tilt), "slanted") for tilt in (10.0, 20.0, 30.0)]
    assert costs == sorted(costs)
    assert costs[2] > 2.5 * costs[0]


def test_a_key_far_aside_is_seen_from_there_by_a_level_camera() -> None:
    """0.2 mm of height 106 mm aside and 200 mm below the camera: exact construction."""
    camera = replace(posed(0.0, 0.0, f35=20.0, distance_mm=200.0, aim_mm=(0.0, KEY_Y_MM)), k1=0.0)
    ends = camera.project(np.array([[92.0, KEY_Y_MM, 0.0], [120.0, KEY_Y_MM, 0.0]]))
    flat: NDArray[np.uint8] = np.full((900, 1200, 3), 150, np.uint8)
    by_head = {
        head: advise(photo(flat), _scale(camera), Silhouette(ends, ends, WIDTH_MM, head))
        for head in ("metal", "plastic")
    }
    assert said(by_head["metal"], "28 degrees aside") == pytest.approx(0.2 * 106 / 200, abs=0.002)
    assert said(by_head["metal"], "slanted") == 0.0
    assert said(by_head["plastic"], "head lifts") > 0.1
    assert said(by_head["metal"], "head lifts") == 0.0


def test_what_the_scale_is_unsure_of_is_told_by_its_cause() -> None:
    """A camera of 1 % longer focal length sees all lengths 1 % shorter: exact construction."""
    camera = posed(0.0, 0.0, f35=40.0, distance_mm=200.0)
    longer = replace(camera, focal_px=camera.focal_px * 1.01)
    picture: NDArray[np.uint8] = np.full((900, 1200, 3), 150, np.uint8)
    found = advise(photo(picture), _scale(camera, Variation("focal length", longer)), _silhouette(camera))
    assert said(found, "focal length") == pytest.approx(0.08, abs=0.002)  # 1 % of 8 mm


def test_edges_that_were_hard_to_tell_are_told_once_the_blade_is_measured() -> None:
    camera = posed(0.0, 0.0, f35=40.0, distance_mm=200.0)
    picture: NDArray[np.uint8] = np.full((900, 1200, 3), 150, np.uint8)
    scene = photo(picture), _scale(camera), _silhouette(camera)
    clear, merged = (
        replace(measured(key_of(PIER, "3-1-5-2-4")), budget=(BudgetLine("edges", 0.0, 2 * height, height, 0.0, 0.0),))
        for height in (0.03, 0.13)
    )
    assert said(advise(*scene, merged), "hard to tell") == 0.13
    assert said(advise(*scene, clear), "hard to tell") == 0.0
    assert said(advise(*scene), "hard to tell") == 0.0


def test_the_words_say_whether_to_take_it_again() -> None:
    bad, fair = Remark(0.2, "The photo is slanted.", "Hold it level."), Remark(0.05, "It is dark.", "More light.")
    assert advice_text((bad, fair)).startswith(
        "Take the photo again. Cuts may be 0.21 mm off in all.\n0.20 mm  The photo"
    )
    assert advice_text((fair,)).startswith("This photo will do. Cuts may be 0.05 mm off.\n")
    assert "good photo" in advice_text(())
    assert max(len(line) for line in advice_text((bad, fair)).splitlines()) < 80


def test_costs_add_up_as_independent_ones_do() -> None:
    assert expected_mm((Remark(0.3, "", ""), Remark(0.4, "", ""))) == pytest.approx(0.5)
