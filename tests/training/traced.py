"""Path-traced photos of random keys with exact truth, as training strips: ``python -m tests.training.traced OUT``.

The light is what photos of keys are hard for: metal mirrors room and phone, walls catch a window, shadows have soft
borders.  The renderer is Mitsuba 3; only the blade's neighbourhood is rendered, at the strip's own scale.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import cv2
import drjit as dr
import mitsuba as mi
import numpy as np
import trimesh
from numpy.typing import NDArray
from shapely.geometry import Polygon

mi.set_variant("llvm_ad_rgb")

from keyid.photos.photo import Photo  # noqa: E402
from keyid.scales.camera import Camera  # noqa: E402
from tests.scene import Scene, random_scene  # noqa: E402
from tests.scene.key import rounded_rectangle  # noqa: E402
from tests.scene.truth import CARD_CORNER_MM, CARD_MM, scene_truth  # noqa: E402
from tests.training.solid import Part, key_parts, random_grooves  # noqa: E402
from tests.training.strips import examples_of, traced_truth, write_examples  # noqa: E402
from tests.training.surfaces import metal, plastic, room, table, tint  # noqa: E402

Array = NDArray[np.float64]

PX_PER_MM = (12.0, 17.0)  # the network sees 12.5
AROUND_MM = (11.0, 6.0, 7.0)  # behind the neck, beyond the tip, beside the blade
PATHS = 24  # to a pixel: the noise that they leave is like that of a phone in poor light
DEPTH = 5  # bounces
PASS_PATHS = 20_000_000  # all paths of a pass are in memory at once: a gigabyte
FIREFLY = 2.5  # times its neighbours' median: a pixel brighter than that is the renderer's noise
TABLE_SIZE_MM = 600.0
MOST_CLUTTER = 6  # things beside key and card
CARD_UNDER = 0.15  # of the strips
FRAMES = 4  # strips of each photo


@click.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--count", default=600, help="How many photos.")
@click.option("--first", default=0, help="Number of the first.")
@click.option("--threads", default=1)
@click.option("--picture", is_flag=True, help="Write each photo as PNG too.")
def main(out: Path, count: int, first: int, threads: int, picture: bool) -> None:
    """Render photos and write their strips, a file each."""
    set_threads(threads)
    out.mkdir(parents=True, exist_ok=True)
    begun = time.monotonic()
    for number in range(first, first + count):
        file = out / f"{number:05d}.npz"
        if file.exists():
            continue
        rng = np.random.default_rng([7, number])
        try:
            scene = random_scene(rng, picture=False, k1=0.0, **random_head(rng))
        except ValueError:  # no camera sees all of this key
            continue
        scene, size = _close_up(scene, rng)
        grooves = random_grooves(scene.truth.key, rng)
        parts = key_parts(scene.truth.key, scene.truth.pose.face_up, grooves)
        photo = traced_photo(scene, parts, size, number, rng, card_under=CARD_UNDER)
        if picture:
            cv2.imwrite(str(out / f"{number:05d}.png"), photo.pixels)
        truth = traced_truth(scene, parts, grooves[0])
        write_examples(file, list(examples_of(photo, truth, FRAMES, rng, f"traced-{number}")))
        click.echo(f"{number}: {time.monotonic() - begun:.0f} s")


def set_threads(count: int) -> None:
    """How many cores rendering takes."""
    dr.set_thread_count(count)
    cv2.setNumThreads(1)


def traced_photo(
    scene: Scene,
    key: list[Part],
    size: tuple[int, int],
    seed: int,
    rng: np.random.Generator,
    *,
    card_under: float = 0.0,
    paths: int = PATHS,
    clutter: bool = False,
) -> Photo:
    """A key's triangles with surfaces and light drawn at random, as a phone's picture of ``size`` (width, height).

    ``card_under`` is the probability that another card lies under the key, ``paths`` the paths traced for a pixel;
    ``clutter`` lays other things on the table.
    """
    others = _clutter(scene, rng) if clutter else {}
    return _photo(_traced(scene, key, size, seed, card_under, paths, others, rng), rng)


def random_head(rng: np.random.Generator) -> dict[str, float]:
    """A head's plan: long or broad, with sharp or round corners."""
    length, width = rng.uniform(18, 40), rng.uniform(15, 32)
    return {
        "head_length_mm": length,
        "head_width_mm": width,
        "head_corner_mm": rng.uniform(0.1, 0.5) * min(length, width),
        "hole_mm": float(rng.choice([0.0, rng.uniform(3, 6)])),
    }


def _close_up(scene: Scene, rng: np.random.Generator) -> tuple[Scene, tuple[int, int]]:
    """The scene as a small photo of the blade's neighbourhood, the blade about level."""
    truth, key = scene.truth, scene.truth.key
    behind, beyond, beside = AROUND_MM
    x = (-key.collar_mm - behind, key.length_mm + beyond)
    y = (-beside, key.width_mm + beside)
    corners = truth.pose.to_world(np.array([[a, b, truth.up_mm] for a in x for b in y]))
    camera = truth.camera
    along = np.diff(truth.axis_px, axis=0)[0]
    turn = -np.arctan2(along[1], along[0]) + rng.normal(0, 0.15) + rng.choice([0, np.pi])
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    focal = camera.focal_px * rng.uniform(*PX_PER_MM) * key.length_mm / float(np.linalg.norm(along))
    turned = Camera(focal, (0.0, 0.0), 0.0, spin @ camera.rotation, spin @ camera.translation_mm)
    seen = turned.project(corners)
    low, high = seen.min(axis=0), seen.max(axis=0)
    close = replace(turned, centre_px=(float(-low[0]), float(-low[1])))
    size = (int(high[0] - low[0]), int(high[1] - low[1]))
    return replace(scene, truth=scene_truth(key, truth.pose, close), size_px=size), size


def _traced(
    scene: Scene,
    triangles: list[Part],
    size: tuple[int, int],
    seed: int,
    card_under: float,
    paths: int,
    others: dict[str, mi.Mesh],
    rng: np.random.Generator,
) -> NDArray[np.float32]:
    """Linear light (red, green, blue)."""
    truth = scene.truth
    key, pose, camera = truth.key, truth.pose, truth.camera
    colour, roughness = tint(rng), float(np.exp(rng.uniform(np.log(0.15), np.log(0.7))))
    of_metal = {
        "face": metal(rng, colour, roughness, rng.uniform(0, 0.15)),
        "wall": metal(rng, colour * rng.uniform(0.8, 1.05), roughness * rng.uniform(0.7, 1.3), 0.05),
    }
    head = plastic(rng) if key.head == "plastic" else of_metal["face"]
    on_card = rng.random() < card_under
    ground = -CARD_MM[2] if on_card else 0.0
    parts: dict[str, Any] = {"type": "scene", "integrator": {"type": "path", "max_depth": DEPTH}, **others}
    for part in triangles:
        surface = head if part.name == "head" else of_metal[part.name]
        parts[part.name] = _mesh(part, pose.to_world(part.points_mm), surface)
    parts["table"] = _square(TABLE_SIZE_MM, TABLE_SIZE_MM, (0.0, 0.0), ground, rng.uniform(0, 360), table(rng))
    if on_card:
        middle = pose.to_world(np.array([key.length_mm / 2, key.width_mm / 2, 0.0]))[:2] + rng.normal(0, 12, 2)
        parts["under"] = _card((float(middle[0]), float(middle[1])), ground, rng.uniform(0, 360), table(rng))
    parts["card"] = _card((0.0, 0.0), ground, 0.0, table(rng))
    centre = -camera.rotation.T @ camera.translation_mm
    target = pose.to_world(np.array([key.length_mm / 2, key.width_mm / 2, 0.0]))
    parts["room"] = room(rng, (centre - target) / np.linalg.norm(centre - target))
    parts["sensor"] = _sensor(camera, size)
    loaded = mi.load_dict(parts)
    passes = min(paths, max(1, size[0] * size[1] * paths // PASS_PATHS))
    light = np.zeros((size[1], size[0], 3), np.float32)
    for number in range(passes):
        image = mi.render(loaded, spp=paths // passes, seed=seed * passes + number)
        light += np.array(image, dtype=np.float32)[..., :3] / passes
    return light


def _clutter(scene: Scene, rng: np.random.Generator) -> dict[str, mi.Mesh]:
    """Coins, tools, pens and boxes about the table, clear of the key and the card."""
    key, pose = scene.truth.key, scene.truth.pose
    spine = np.column_stack(
        [np.linspace(-key.collar_mm - key.head_length_mm, key.length_mm, 30), np.full(30, key.width_mm / 2)]
    )
    spine_mm = pose.to_world(np.column_stack([spine, np.zeros(30)]))[:, :2]
    things: dict[str, mi.Mesh] = {}
    for number in range(int(rng.integers(0, MOST_CLUTTER + 1))):
        size = np.exp(rng.uniform(np.log(4), np.log(70), 2))
        at = rng.uniform(-130, 130, 2)
        reach = float(np.hypot(*size)) / 2
        clear_of_card = np.hypot(*np.maximum(np.abs(at) - np.array(CARD_MM[:2]) / 2, 0)) > reach
        if not clear_of_card or np.min(np.hypot(*(spine_mm - at).T)) < reach + key.head_width_mm / 2:
            continue
        plan = rounded_rectangle(size[0], size[1], rng.uniform(0.02, 0.5) * size.min())
        points = trimesh.creation.extrude_polygon(Polygon(plan), np.exp(rng.uniform(-1, 2.5))).triangles.reshape(-1, 3)
        surface = [metal(rng, tint(rng), rng.uniform(0.2, 0.6), 0.1), table(rng), plastic(rng)][rng.integers(3)]
        place = (float(at[0]), float(at[1]))
        things[f"thing{number}"] = _placed("thing", points, points[:, :2], place, 0.0, rng.uniform(0, 360), surface)
    return things


def _sensor(camera: Camera, size: tuple[int, int]) -> dict[str, Any]:
    """The camera as Mitsuba's plugin, whose x runs left and y up."""
    pose = np.eye(4)
    pose[:3, :3] = camera.rotation.T @ np.diag([-1.0, -1.0, 1.0])
    pose[:3, 3] = -camera.rotation.T @ camera.translation_mm
    width, height = size
    middle = ((width - 1) / 2, (height - 1) / 2)
    return {
        "type": "perspective",
        "fov_axis": "x",
        "fov": float(np.degrees(2 * np.arctan(width / 2 / camera.focal_px))),
        "principal_point_offset_x": (middle[0] - camera.centre_px[0]) / width,
        "principal_point_offset_y": (middle[1] - camera.centre_px[1]) / height,
        "near_clip": 1.0,
        "far_clip": 5000.0,
        "to_world": mi.ScalarTransform4f(pose),
        "film": {
            "type": "hdrfilm",
            "width": width,
            "height": height,
            "rfilter": {"type": "box"},
            "pixel_format": "rgb",
        },
    }


def _mesh(part: Part, world_mm: Array, surface: dict[str, Any]) -> mi.Mesh:
    """Triangles with flat normals."""
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(surface)
    properties["face_normals"] = True
    count = len(world_mm)
    mesh = mi.Mesh(part.name, count, count // 3, has_vertex_texcoords=True, props=properties)
    values = mi.traverse(mesh)
    values["vertex_positions"] = np.ascontiguousarray(world_mm, np.float32).ravel()
    values["vertex_texcoords"] = np.ascontiguousarray(part.along_mm, np.float32).ravel()
    values["faces"] = np.arange(count, dtype=np.uint32)
    values.update()
    return mesh


def _square(
    width_mm: float, height_mm: float, at_mm: tuple[float, float], z_mm: float, turn_deg: float, surface: dict[str, Any]
) -> mi.Mesh:
    """A level rectangle."""
    x, y = width_mm / 2, height_mm / 2
    corners = np.array([[-x, -y], [x, -y], [x, y], [-x, -y], [x, y], [-x, y]])
    return _placed("square", np.column_stack([corners, np.zeros(6)]), corners, at_mm, z_mm, turn_deg, surface)


def _card(at_mm: tuple[float, float], z_mm: float, turn_deg: float, surface: dict[str, Any]) -> mi.Mesh:
    """A bank card lying at a height."""
    plan = rounded_rectangle(CARD_MM[0], CARD_MM[1], CARD_CORNER_MM)
    points = trimesh.creation.extrude_polygon(Polygon(plan), CARD_MM[2]).triangles.reshape(-1, 3)
    return _placed("card", points, points[:, :2], at_mm, z_mm, turn_deg, surface)


def _placed(
    name: str,
    points_mm: Array,
    along_mm: Array,
    at_mm: tuple[float, float],
    z_mm: float,
    turn_deg: float,
    surface: dict[str, Any],
) -> mi.Mesh:
    """Triangles turned about z and moved."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turned = points_mm @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) + [*at_mm, z_mm]
    return _mesh(Part(name, turned, along_mm), turned, surface)


def _photo(light: NDArray[np.float32], rng: np.random.Generator) -> Photo:
    """What a phone makes of the light: exposure, lens blur, tone curve, sharpening, noise, eight bits."""
    light = np.minimum(light, FIREFLY * cv2.medianBlur(light, 3) + 0.01)
    grey = light.mean(axis=2)
    exposure = rng.uniform(0.35, 0.8) / max(float(np.percentile(grey, rng.uniform(70, 98))), 1e-4)
    light = np.clip(light * exposure, 0, 4)
    light = cv2.GaussianBlur(light, (0, 0), rng.uniform(0.35, 1.0))
    light = np.clip(light / np.median(light, axis=(0, 1)).mean() * np.median(light), 0, 1)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.power(np.maximum(light, 1e-6), 1 / 2.4) - 0.055)
    strength = rng.uniform(0, 0.6)
    coded = coded * (1 - strength) + strength * (3 * coded**2 - 2 * coded**3)
    coded = coded + rng.uniform(0, 0.8) * (coded - cv2.GaussianBlur(coded, (0, 0), 1.0))
    coded = coded + rng.normal(0, rng.uniform(0.002, 0.012), coded.shape)
    pixels = np.clip(np.rint(255 * coded[..., ::-1]), 0, 255).astype(np.uint8)
    return Photo("traced.png", "", np.ascontiguousarray(pixels), None, whole=False)


if __name__ == "__main__":
    main()
