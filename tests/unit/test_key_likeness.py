"""The network that marks the key: on scenes whose key is known, and that it keeps to the view's own pixels."""

from __future__ import annotations

import numpy as np
import pytest

from keyid.scales.scale import Scale
from keyid.scales.table_view import TableView, fill_polygon, view_table
from keyid.silhouettes.key_likeness import key_likeness
from keyid.silhouettes.key_search import SEARCH_PX_PER_MM
from tests.scene import Scene
from tests.unit.known_scene import VIEWS, photo_of, view_of


def on_table(scene: Scene) -> TableView:
    truth = scene.truth
    scale = Scale("id1-card", truth.camera, "exif", (), truth.card_outline_px, 0.76)
    return view_table(photo_of(scene), scale, SEARCH_PX_PER_MM)


@pytest.mark.parametrize("angles", VIEWS)
def test_the_key_is_marked_and_nothing_else(angles: tuple[float, float, float]) -> None:
    tilt, azimuth, yaw = angles
    scene = view_of(tilt_deg=tilt, azimuth_deg=azimuth, yaw_deg=yaw)
    view = on_table(scene)
    outline = view.from_mm(scene.truth.camera.on_height(scene.truth.outline_px, 0.0))
    key, marked = fill_polygon(outline, view.seen.shape), key_likeness(view) > 0
    assert marked.shape == key.shape
    assert (key & marked).sum() > 0.8 * (key | marked).sum()  # one pixel round the outline is 0.15 of this key


def test_a_table_without_a_key_has_nothing_marked() -> None:
    scene = view_of()
    view = on_table(scene)
    plain = np.full_like(view.pixels, 190) + (10 * np.random.default_rng(2).random(view.pixels.shape)).astype(np.uint8)
    bare = TableView(plain, view.seen, np.zeros_like(view.on_reference), view.px_per_mm, view.corner_mm)
    assert (key_likeness(bare) > 0).mean() < 0.002
