"""What the measuring stages get from the earlier ones, made from a scene's truth with small coarse errors."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from keyid.outlines.ends import Step
from keyid.outlines.lie import Lie, LieInputs, place
from keyid.outlines.outline import EdgePoints, Outline, find_outline
from keyid.photos.photo import Photo
from keyid.scales.camera import Camera
from keyid.scales.scale import Scale, Variation
from keyid.silhouettes.silhouette import Silhouette
from tests.scene import CutSpec, KeySpec, Look, Scene, lay_down, make_scene, posed_camera
from tests.scene.outline import project_plan
from tests.scene.truth import CARD_MM

Array = NDArray[np.float64]

CLEAN = Look(noise_grey=0.5, blur_px=0.9)
SIZE_PX = (1500, 1300)
STATION_MM = 0.08  # as the rims' paths have
DENSE_MM = 0.001  # sampling of an exact edge
STEP_LOOK_MM = 0.7  # beyond the edge, where a shoulder's face is looked at
COARSE = {"neck_off_mm": (0.8, 0.4), "tip_off_mm": (0.5, -0.4), "width_off_mm": 0.6}
"""Errors such as a coarse silhouette has, which is drawn at 4 px/mm."""

KEY = KeySpec(
    cuts=(CutSpec("a", 5.0, 5.6), CutSpec("a", 9.0, 4.6), CutSpec("a", 13.0, 6.2), CutSpec("a", 17.0, 5.2)),
    length_mm=23.0,
    width_mm=7.0,
    thickness_mm=2.6,
    head_thickness_mm=2.6,
    head_width_mm=20.0,
    tip="rounded",
)
VIEWS = ((0.0, 0.0, 0.0), (10.0, 100.0, 0.0), (20.0, 100.0, 140.0), (20.0, 290.0, 30.0))
"""Tilt, azimuth of the camera, and yaw of the key, in degrees: both walls of the blade are seen in some."""


def view_of(
    key: KeySpec = KEY,
    *,
    tilt_deg: float = 0.0,
    azimuth_deg: float = 0.0,
    yaw_deg: float = 0.0,
    at_mm: tuple[float, float] = (0.0, 55.0),
    face_up: str = "a",
    look: Look = CLEAN,
    picture: bool = True,
) -> Scene:
    """A key beside a card, the camera looking at the key's middle at about 13 px/mm."""
    camera = posed_camera(
        2900.0, (SIZE_PX[0] / 2, SIZE_PX[1] / 2), distance_mm=220.0, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg,
        roll_deg=8.0, target_mm=at_mm, k1=-0.02,
    )  # fmt: skip
    pose = lay_down(key, at_mm, yaw_deg, "a" if face_up == "a" else "b")
    return make_scene(key, pose, camera, SIZE_PX, look=look, picture=picture)


def photo_of(scene: Scene) -> Photo:
    """The scene's picture."""
    assert scene.photo is not None
    return scene.photo


def scale_of(scene: Scene, variations: tuple[Variation, ...] = ()) -> Scale:
    """The true camera."""
    truth = scene.truth
    return Scale("id1-card", truth.camera, "exif", variations, truth.card_outline_px, CARD_MM[2])


def silhouette_of(
    scene: Scene,
    *,
    neck_off_mm: tuple[float, float] = (0.0, 0.0),
    tip_off_mm: tuple[float, float] = (0.0, 0.0),
    width_off_mm: float = 0.0,
) -> Silhouette:
    """The true silhouette with errors (along, across) of the blade's two ends and of its width."""
    truth, key = scene.truth, scene.truth.key
    middle = key.width_mm / 2
    ends = np.array([[-key.collar_mm, middle], [key.length_mm, middle]]) + np.array([neck_off_mm, tip_off_mm])
    ends_px = project_plan(ends, truth.up_mm, truth.pose, truth.camera)
    return Silhouette(truth.outline_px, ends_px, key.width_mm + width_off_mm, key.head)


def on_face(scene: Scene, points_px: Array) -> Array:
    """Where pixels (n, 2) lie on the key's true upper face: x, y of the key frame."""
    truth = scene.truth
    normal = truth.pose.rotation[:, 2]
    offset = float(normal @ truth.pose.to_world(np.array([0.0, 0.0, truth.up_mm])))
    world = truth.camera.on_plane(points_px, normal, offset)
    return np.asarray((world - truth.pose.translation_mm) @ truth.pose.rotation)[:, :2]


def found_on_face(scene: Scene, outline: Outline, points: EdgePoints) -> Array:
    """Found points, traced back through their pixels to the true upper face: no error of the lie is in them."""
    return on_face(scene, outline.lie.to_px(np.stack([points.s_mm, points.v_mm], axis=-1), outline.camera))


@cache
def viewed(tilt_deg: float, azimuth_deg: float, yaw_deg: float) -> tuple[Scene, Outline]:
    """KEY as one of the VIEWS shows it, and the outline found from a coarse silhouette; each is measured once."""
    scene = view_of(tilt_deg=tilt_deg, azimuth_deg=azimuth_deg, yaw_deg=yaw_deg)
    return scene, find_outline(photo_of(scene), scale_of(scene), silhouette_of(scene, **COARSE))


def true_inputs(scene: Scene) -> LieInputs:
    """How a key with a flat head, or a plastic one, really lies."""
    rotation = scene.truth.pose.rotation
    pitch = float(np.degrees(np.arcsin(-rotation[2, 0])))
    return LieInputs(0.0, scene.truth.key.thickness_mm, 0.0, pitch, 0.0)


def exact_outline(scene: Scene, noise_mm: float = 0.0, thickness_u_mm: float = 0.1, crooked_mm: float = 0.0) -> Outline:
    """The outline that a perfect measurement gives, with independent noise across the edges.

    ``crooked_mm`` turns its frame: the neck is taken that far across from where it is.
    """
    truth, key = scene.truth, scene.truth.key
    camera, inputs = truth.camera, true_inputs(scene)
    lie = place(inputs, silhouette_of(scene, neck_off_mm=(0.0, crooked_mm)).blade_px, camera)
    rng = np.random.default_rng(1)

    def seen(x_mm: Array, y_mm: Array) -> Array:
        s_v = lie.from_px(project_plan(np.column_stack([x_mm, y_mm]), truth.up_mm, truth.pose, camera), camera)
        return np.asarray(s_v + rng.normal(0, noise_mm, s_v.shape) * [0.0, 1.0])

    x = np.arange(STATION_MM, key.length_mm - 0.6, STATION_MM)
    edge_a, edge_b = key.height_mm("a", x), key.width_mm - key.height_mm("b", x)
    y = np.arange(0.5, key.width_mm - 0.5, STATION_MM)
    edges = [seen(x, edge_a), seen(x, edge_b)]
    steps = [
        _step(seen, lie, key.step_a_mm, key.width_mm + STEP_LOOK_MM),
        _step(seen, lie, key.step_b_mm, -STEP_LOOK_MM),
    ]
    if np.median(edges[0][:, 1]) < np.median(edges[1][:, 1]):
        edges, steps = edges[::-1], steps[::-1]
    tip = seen(_front(key, y), y)
    tip = tip[np.argsort(tip[:, 1])]
    head = float(seen(np.array([0.0]), np.array([key.width_mm / 2]))[0, 0])
    points = [EdgePoints(p[:, 0], p[:, 1], np.full(len(p), max(noise_mm, 0.005))) for p in (*edges, tip)]
    return Outline(camera, lie, inputs, thickness_u_mm, *points, *steps, head, key.head, 0.0)


def _step(seen: object, lie: Lie, step_mm: float, y_mm: float) -> Step | None:
    if step_mm == 0:
        return None
    return Step(float(seen(np.array([0.0]), np.array([y_mm]))[0, 0]), 0.8)  # type: ignore[operator]


def _front(key: KeySpec, y_mm: Array) -> Array:
    """Foremost metal at each y."""
    x = np.arange(key.length_mm / 2, key.length_mm + DENSE_MM / 2, DENSE_MM)
    inside = (y_mm[:, None] <= key.height_mm("a", x)) & (y_mm[:, None] >= key.width_mm - key.height_mm("b", x))
    last = x.size - 1 - np.argmax(inside[:, ::-1], axis=1)
    return np.asarray(x[last])


def moved_focal(camera: Camera, factor: float) -> Camera:
    """The same pose through a longer lens."""
    return Camera(camera.focal_px * factor, camera.centre_px, camera.k1, camera.rotation, camera.translation_mm)
