"""Training strips with labels: blades as `keyid.outlines` sees them, in frames as wrong as coarse silhouettes give."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.outlines.lie import Lie, LieInputs, place
from keyid.outlines.segmentation import SHRINK, WALL_AT_MM
from keyid.outlines.strip import STEP_MM, straighten
from keyid.photos.photo import Photo, load_photo
from keyid.scales.camera import Camera
from tests.scene import Scene, random_scene
from tests.scene.key import KeySpec, edge_heights, head_prism
from tests.scene.outline import project_plan
from tests.training.solid import Groove, Part

Array = NDArray[np.float64]

OFF, FACE, BODY, WALL, PLASTIC = range(5)
UNKNOWN = 255
FRAMES_OF_PHOTO, FRAMES_OF_SCENE = 8, 2
ACROSS_MM, ALONG_MM, TURN_DEG = 0.9, 1.2, 1.2  # errors of a coarse silhouette's middle, ends and direction
THICKNESS_MM, THICKNESS_SD_MM, LIFT_SD_MM, ROLL_SD_DEG, PITCH_SD_DEG = 2.25, 0.4, 0.15, 0.8, 0.5
SUBPIXEL_BITS = 8
RIM_STEP_MM = 0.1  # of the plan: a rim goes down into a groove and up again
GROOVE_LEAN = 0.35  # of a photo's grooves: how far a side leans, as a part of its depth


@dataclass(frozen=True)
class Truth:
    """What is true of a photo's key.

    ``face_px`` is the border of all that looks up, be it face or a groove's floor; ``outline_px`` are polygons that
    together cover the key.  ``head_px`` is the rim of the head's upper side, which may hide the blade's start (None:
    not told).
    """

    camera: Camera
    face_px: Array
    outline_px: list[Array]
    rotation: Array
    origin_mm: Array
    width_mm: float
    neck_mm: float
    tip_mm: float
    pitch_deg: float
    plastic: bool
    head_px: Array | None = None


@dataclass(frozen=True)
class Example:
    """A strip at the network's resolution: picture (BGR bytes), labels, direction of the wall, and the photo's name."""

    picture: NDArray[np.uint8]
    labels: NDArray[np.uint8]
    wall: Array
    name: str


def photo_examples(folder: Path, seed: int = 0) -> Iterator[Example]:
    """Examples of every photo in a folder that shows one key."""
    for truth_file in sorted(folder.glob("*.json")):
        told = json.loads(truth_file.read_text())
        photo_file = truth_file.with_suffix(".jpg")
        if not (isinstance(told, dict) and told.get("detail", {}).get("key")) or told["detail"].get("second_key"):
            continue
        rng = np.random.default_rng([seed, zlib.crc32(truth_file.stem.encode())])
        yield from examples_of(load_photo(photo_file), _told(told["detail"]), FRAMES_OF_PHOTO, rng, truth_file.stem)


def scene_examples(count: int, seed: int = 0) -> Iterator[Example]:
    """Examples of random scenes."""
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        try:
            scene = random_scene(rng)
        except ValueError:  # no camera sees all of this key
            continue
        assert scene.photo is not None
        yield from examples_of(scene.photo, drawn_truth(scene), FRAMES_OF_SCENE, rng, f"scene-{number}")


def write_examples(file: Path, examples: list[Example]) -> None:
    """Keep the strips of one photo in a file (npz)."""
    arrays = {}
    for number, example in enumerate(examples):
        parts = {"picture": example.picture, "labels": example.labels, "wall": example.wall}
        arrays |= {f"{part}{number}": values for part, values in parts.items()}
    np.savez_compressed(file, allow_pickle=False, **arrays)


def read_examples(folder: Path) -> Iterator[Example]:
    """Strips that were kept in a folder."""
    for file in sorted(folder.glob("*.npz")):
        with np.load(file) as arrays:
            for number in range(len(arrays) // 3):
                parts = (arrays[f"{part}{number}"] for part in ("picture", "labels", "wall"))
                yield Example(*parts, name=file.stem)


def told_camera(detail: dict[str, Any]) -> Camera:
    """The camera of a rendered photo, turned upright."""
    seen = detail["camera_upright"]
    pose = np.array(seen["R_world_to_camera"]), np.array(seen["t_world_to_camera_mm"])
    return Camera(seen["fx"], (seen["cx"], seen["cy"]), seen["k1"], *pose)


def told_outline(thing: dict[str, Any]) -> list[Array]:
    """The outline of key or reference, its holes' outlines among the parts."""
    outline = thing["silhouette_px_upright"]
    return [np.array(part) for part in (outline if isinstance(outline[0][0], list) else [outline])]


def _told(detail: dict[str, Any]) -> Truth:
    """Truth of a rendered photo."""
    key, camera = detail["key"], told_camera(detail)
    pose = key["pose_local_to_world"]
    rotation = np.array(pose["R"])
    up = key["blade_thickness_mm"] if key["face_up"] == "A" else 0.0
    origin = np.array(pose["t_mm"]) + rotation @ [0.0, 0.0, up]
    plan = np.array(key["plane_polygon_blade_local"])
    grooves = [_told_groove(groove) for groove in key["grooves"].get(key["face_up"], [])]
    return Truth(
        camera=camera,
        face_px=camera.project(origin + _rim(plan, grooves, 1.0 if up == 0.0 else -1.0) @ rotation.T),
        outline_px=told_outline(key),
        rotation=rotation,
        origin_mm=origin,
        width_mm=key["blade_width_mm"],
        neck_mm=-key.get("collar_length_mm", 0.0),
        tip_mm=key["tip_x_local_mm"],
        pitch_deg=abs(key["pitch_deg"]),
        plastic="plastic" in key["head"],
    )


def _told_groove(told: dict[str, float]) -> Groove:
    """A groove told by the middle and the width of its floor."""
    lean = GROOVE_LEAN * told["depth_mm"]
    reach = told["width_mm"] / 2 + lean
    return Groove(told["offset_mm"] - reach, told["offset_mm"] + reach, told["depth_mm"], lean)


def _rim(plan_mm: Array, grooves: Sequence[Groove], inward: float) -> Array:
    """The plan's border (n, 3), z counted from the face: in grooves it lies deeper."""
    closed = np.vstack([plan_mm, plan_mm[:1]])
    lengths = np.hypot(*np.diff(closed, axis=0).T)
    far = np.concatenate([[0.0], np.cumsum(lengths)])
    at = np.unique(np.concatenate([far, np.arange(0.0, far[-1], RIM_STEP_MM)]))[:-1]
    xy = np.column_stack([np.interp(at, far, closed[:, axis]) for axis in (0, 1)])
    depth = np.max([np.zeros(len(xy)), *(groove.depth_at(xy[:, 1]) for groove in grooves)], axis=0)
    return np.column_stack([xy, inward * depth])


def traced_truth(scene: Scene, parts: Sequence[Part], grooves: Sequence[Groove]) -> Truth:
    """Truth of a path-traced scene: the outline is all its triangles, and the face's border goes into its grooves."""
    drawn, pose = drawn_truth(scene), scene.truth.pose
    rim = _rim(_plan(scene.truth.key), grooves, 1.0 if scene.truth.up_mm == 0.0 else -1.0)
    face = scene.truth.camera.project(pose.to_world(rim + np.array([0.0, 0.0, scene.truth.up_mm])))
    corners = np.concatenate([part.points_mm for part in parts])
    triangles = scene.truth.camera.project(pose.to_world(corners)).reshape(-1, 3, 2)
    return replace(drawn, face_px=face, outline_px=list(triangles))


def drawn_truth(scene: Scene) -> Truth:
    """Truth of a scene of our own maker."""
    truth, key = scene.truth, scene.truth.key
    rotation = truth.pose.rotation
    return Truth(
        camera=truth.camera,
        face_px=project_plan(_plan(key), truth.up_mm, truth.pose, truth.camera),
        outline_px=[truth.outline_px],
        rotation=rotation,
        origin_mm=truth.pose.to_world(np.array([0.0, 0.0, truth.up_mm])),
        width_mm=key.width_mm,
        neck_mm=-key.collar_mm,
        tip_mm=key.length_mm,
        pitch_deg=float(np.degrees(np.arcsin(-rotation[2, 0]))),
        plastic=key.head == "plastic",
        head_px=_head_px(scene),
    )


def _plan(key: KeySpec) -> Array:
    """The plan of the blade alone, (n, 2)."""
    (x_a, top), (x_b, depth) = edge_heights(key, "a"), edge_heights(key, "b")
    return np.vstack([np.column_stack([x_b, key.width_mm - depth]), np.column_stack([x_a, top])[::-1]])


def _head_px(scene: Scene) -> Array:
    """The upper rim of the head."""
    prism, pose = head_prism(scene.truth.key), scene.truth.pose
    top = prism.z_high_mm if pose.face_up == "a" else prism.z_low_mm
    return project_plan(prism.plan_mm, top, pose, scene.truth.camera)


def examples_of(photo: Photo, truth: Truth, count: int, rng: np.random.Generator, name: str) -> Iterator[Example]:
    """Strips of a photo in random frames."""
    for _ in range(count):
        lie, length = _frame(truth, rng)
        strip = straighten(photo, truth.camera, lie, length, truth.width_mm)
        size = (strip.values.shape[1] // SHRINK, strip.values.shape[0] // SHRINK)
        whole = strip.values[: size[1] * SHRINK, : size[0] * SHRINK]
        small = np.clip(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), 0, 1)
        first = (SHRINK - 1) / 2 * STEP_MM
        s_mm = strip.s_mm[0] + first + SHRINK * STEP_MM * np.arange(size[0])
        v_mm = strip.v_mm[0] - first - SHRINK * STEP_MM * np.arange(size[1])
        wall = lie.wall(np.array([[WALL_AT_MM, 0.0]]), truth.camera)[0]
        yield Example(np.rint(255 * small).astype(np.uint8), _labels(truth, lie, s_mm, v_mm), wall, name)


def _frame(truth: Truth, rng: np.random.Generator) -> tuple[Lie, float]:
    """A lie and a length that are as wrong as the pipeline's."""
    turn, across = np.radians(rng.normal(0, TURN_DEG)), rng.normal(0, ACROSS_MM)
    x = np.array([truth.neck_mm, truth.tip_mm]) + rng.normal(0, ALONG_MM, 2)
    y = truth.width_mm / 2 + across + np.tan(turn) * (x - x.mean())
    ends = truth.camera.project(truth.origin_mm + np.column_stack([x, y]) @ truth.rotation[:, :2].T)
    thickness = float(np.clip(rng.normal(THICKNESS_MM, THICKNESS_SD_MM), 1.4, 3.3))
    top = float((truth.origin_mm + truth.rotation[:, 0] * truth.tip_mm)[2])
    inputs = LieInputs(
        support_mm=0.0,
        thickness_mm=thickness,
        lift_mm=max(top - thickness, 0.0) + rng.normal(0, LIFT_SD_MM),
        pitch_deg=truth.pitch_deg + rng.normal(0, PITCH_SD_DEG),
        roll_deg=rng.normal(0, ROLL_SD_DEG),
    )
    lie = place(inputs, ends, truth.camera)
    return lie, -float(lie.from_px(ends[:1], truth.camera)[0, 0])


def _labels(truth: Truth, lie: Lie, s_mm: Array, v_mm: Array) -> NDArray[np.uint8]:
    """Label of each sample."""
    step = SHRINK * STEP_MM

    def filled(polygons: list[Array]) -> NDArray[np.bool_]:
        layer = np.zeros((len(v_mm), len(s_mm)), np.uint8)
        for polygon in polygons:
            s_v = lie.from_px(polygon, truth.camera)
            at = np.column_stack([(s_v[:, 0] - s_mm[0]) / step, (v_mm[0] - s_v[:, 1]) / step])
            cv2.fillPoly(layer, [np.rint(at * 2**SUBPIXEL_BITS).astype(np.int32)], 1, shift=SUBPIXEL_BITS)
        return layer > 0

    grid = np.stack(np.meshgrid(s_mm, v_mm), axis=-1).reshape(-1, 2)
    normal = truth.rotation[:, 2]
    world = truth.camera.on_plane(lie.to_px(grid, truth.camera), normal, float(normal @ truth.origin_mm))
    x = ((world - truth.origin_mm) @ truth.rotation[:, 0]).reshape(len(v_mm), len(s_mm))
    key = filled(truth.outline_px)
    head = np.where(x < truth.neck_mm, PLASTIC if truth.plastic else BODY, BODY)
    labels = np.where(key, np.where(x < 0, head, WALL), OFF)
    labels = np.where(filled([truth.face_px]) & (x >= 0), FACE, labels).astype(np.uint8)  # plans may begin in the head
    if truth.head_px is not None:
        labels[filled([truth.head_px]) & (labels == FACE)] = UNKNOWN
    return labels
