"""Makes scenes: one that is told, or a random one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from keyid.photos.photo import Photo
from keyid.scales.camera import Camera
from tests.scene.key import CutSpec, KeyPose, KeySpec, blade_prism, head_prism, lay_down, pitch_rad
from tests.scene.look import Colour, Look
from tests.scene.page import Page
from tests.scene.render import render
from tests.scene.truth import CARD_MM, SceneTruth, scene_truth
from tests.scene.view import FULL_FRAME_DIAGONAL_MM, posed_camera

Array = NDArray[np.float64]
T = TypeVar("T")
Lie = Literal["flat", "lifted", "pitched"]

LIES: dict[str | None, list[Lie]] = {  # how a key with such a head can lie
    "metal": ["flat", "lifted"],
    "plastic": ["pitched"],
    None: ["flat", "lifted", "pitched"],
}
TRIES = 400  # cameras drawn for one key before giving up
FRAME_PX = 12.0  # everything stays this far inside the photo
PITCH_DEG = (5.0, 9.0)  # of a blade with a plastic head
LARGEST_DIAGONAL_PX = 5040.0  # a 12 MP photo, 4032 x 3024; finer only when px_per_mm is told
FOCAL_SD = 0.012  # relative: makers' equivalent focal lengths are rounded
CENTRE_SD = 0.003  # of the photo's width: principal point of a whole photo
K1_SD = 0.03  # residual radial distortion of phones
FLANK_SPARE_MM = 0.1  # every root keeps at least its flat plus this to the next flank

METALS: tuple[Colour, ...] = ((0.16, 0.30, 0.36), (0.42, 0.44, 0.45), (0.25, 0.26, 0.27))  # brass, nickel, steel
TABLES: tuple[Colour, ...] = ((0.72, 0.74, 0.75), (0.06, 0.07, 0.07), (0.10, 0.18, 0.30))  # paper, dark cloth, wood
PLASTIC: Colour = (0.03, 0.03, 0.03)


@dataclass(frozen=True)
class Scene:
    """A photo (None when only the outlines were asked for) and what is true of it.

    ``size_px`` is width and height of the photo; ``focal_35mm`` what its file would tell.
    """

    photo: Photo | None
    truth: SceneTruth
    look: Look
    size_px: tuple[int, int]
    focal_35mm: float | None


def make_scene(
    key: KeySpec,
    pose: KeyPose,
    camera: Camera,
    size_px: tuple[int, int],
    *,
    look: Look | None = None,
    seed: int = 0,
    focal_35mm: float | None = None,
    picture: bool = True,
    page: Page | None = None,
) -> Scene:
    """Make the scene of a key beside a card, or on a printed page.

    Parameters
    ----------
    key, pose, camera
        What is seen, how it lies (see ``lay_down``), and from where (see ``posed_camera``).
    size_px : tuple of int
        Width and height of the photo.
    look : Look, optional
    seed : int
        Of the picture's noise and texture.
    focal_35mm : float, optional
        What the photo's file tells.
    picture : bool
        False: no picture, only the exact outlines, in milliseconds.
    page : Page, optional
        It lies under the key, and there is no card.
    """
    look = look or Look()
    truth = scene_truth(key, pose, camera)
    photo = render(truth, look, size_px, np.random.default_rng(seed), focal_35mm, page) if picture else None
    return Scene(photo, truth, look, size_px, focal_35mm)


def random_scene(rng: np.random.Generator, *, picture: bool = True, **fixed: Any) -> Scene:  # noqa: ANN401
    """A random scene.

    Parameters
    ----------
    rng : Generator
    picture : bool
        False: outlines only.
    **fixed
        What is not left to chance: any field of KeySpec; ``edges`` (1, 2), ``lie`` ("flat", "lifted", "pitched"),
        ``count`` (cuts on an edge); ``yaw_deg``, ``face_up``; ``tilt_deg``, ``azimuth_deg``, ``roll_deg``,
        ``distance_mm``, ``focal_35mm``, ``focal_error``, ``k1``, ``centre_shift`` (two parts of the photo's width),
        ``px_per_mm`` (about, at the key); ``exif`` (False: the file does not tell the focal length); any field of Look.

    Raises
    ------
    TypeError
        For an unknown name.
    ValueError
        When no camera that fits what is fixed sees all of key and card.
    """
    names = (_KEY_NAMES, {"yaw_deg", "face_up"}, _CAMERA_NAMES, set(Look.__dataclass_fields__), {"exif"})
    unknown = set(fixed) - set().union(*names)
    if unknown:
        raise TypeError(f"random_scene has no {sorted(unknown)}")
    for_key, for_pose, for_camera, for_look, rest = ({n: fixed[n] for n in fixed if n in group} for group in names)
    key = random_key(rng, **for_key)
    pose = _beside_card(rng, key, **for_pose)
    camera, size_px, focal = _camera_on(rng, key, pose, for_camera)
    seen = focal if rest.get("exif", True) else None
    look, seed = random_look(rng, key.head, **for_look), int(rng.integers(1 << 31))
    return make_scene(key, pose, camera, size_px, look=look, seed=seed, focal_35mm=seen, picture=picture)


def random_key(
    rng: np.random.Generator,
    *,
    edges: Literal[1, 2] | None = None,
    lie: Lie | None = None,
    count: int | None = None,
    **fixed: Any,  # noqa: ANN401
) -> KeySpec:
    """A random key; ``fixed`` are fields of KeySpec."""
    lies = LIES[fixed.get("head")]
    lie = lie or lies[rng.integers(len(lies))]
    cut_edges = edges or int(rng.choice([1, 2]))
    stop = fixed.get("stop") or rng.choice(["shoulder", "tip"])
    drawn = {
        "stop": str(stop),
        "length_mm": rng.uniform(20, 35),
        "width_mm": rng.uniform(5.5, 10),
        "thickness_mm": rng.uniform(1.6, 3.1),
        "angle_deg": rng.uniform(80, 105),
        "step_a_mm": rng.uniform(1.2, 2.0) if stop == "shoulder" else 0.0,
        "step_b_mm": float(rng.choice([0.0, 1.6])) if stop == "shoulder" else 0.0,
        "collar_mm": rng.uniform(4, 5) if stop == "shoulder" else 0.0,
        "tip": str(rng.choice(["flat", "pointed", "rounded"])),
        "tip_reach_mm": rng.uniform(1.2, 3.2),
        "head": "plastic" if lie == "pitched" else "metal",
    }
    key = KeySpec(**{**drawn, "flat_mm": rng.uniform(0.5, 1.2), **{n: v for n, v in fixed.items() if n != "cuts"}})
    if "head_thickness_mm" not in fixed:
        key = _with_head(rng, key, lie)
    if "grooves_mm" not in fixed:
        key = replace(key, grooves_mm=_random_grooves(rng, key.width_mm))
    return replace(key, cuts=fixed["cuts"] if "cuts" in fixed else _random_cuts(rng, key, cut_edges, count))


def random_camera(
    rng: np.random.Generator,
    target_mm: tuple[float, float],
    *,
    focal_35mm: float | None = None,
    focal_error: float | None = None,
    distance_mm: float | None = None,
    px_per_mm: float | None = None,
    tilt_deg: float | None = None,
    azimuth_deg: float | None = None,
    roll_deg: float | None = None,
    k1: float | None = None,
    centre_shift: tuple[float, float] | None = None,
) -> tuple[Camera, tuple[int, int], float]:
    """A random camera that looks at ``target_mm``, its photo's size, and the focal length that its file tells."""
    told = _or(focal_35mm, float(rng.choice([*range(24, 29), *range(48, 53)])))
    distance = _or(distance_mm, rng.uniform(150, 320))
    lens = told * (1 + _or(focal_error, FOCAL_SD * rng.standard_normal())) / FULL_FRAME_DIAGONAL_MM
    finest = LARGEST_DIAGONAL_PX * lens / distance
    focal_px = distance * _or(px_per_mm, min(rng.uniform(9, 16), finest))
    diagonal = focal_px / lens
    size = (round(0.8 * diagonal), round(0.6 * diagonal))
    shift = np.array(_or(centre_shift, CENTRE_SD * rng.standard_normal(2))) * size[0]
    centre = ((size[0] - 1) / 2 + float(shift[0]), (size[1] - 1) / 2 + float(shift[1]))
    camera = posed_camera(
        focal_px,
        centre,
        distance_mm=distance,
        tilt_deg=_or(tilt_deg, rng.uniform(0, 30)),
        azimuth_deg=_or(azimuth_deg, rng.uniform(0, 360)),
        roll_deg=_or(roll_deg, rng.uniform(0, 360)),
        target_mm=target_mm,
        k1=_or(k1, K1_SD * rng.standard_normal()),
    )
    return camera, size, told


def random_look(rng: np.random.Generator, head: str = "metal", **fixed: Any) -> Look:  # noqa: ANN401
    """A random look; ``fixed`` are fields of Look."""
    metal = METALS[rng.integers(len(METALS))]
    drawn = Look(
        table=TABLES[rng.integers(len(TABLES))],
        metal=metal,
        head_colour=PLASTIC if head == "plastic" else metal,
        surface="plain" if rng.random() < 0.5 else "noise",
        art="plain" if rng.random() < 0.5 else "stripe",
        brushed=rng.uniform(0, 0.08),
        light_azimuth_deg=rng.uniform(0, 360),
        light_elevation_deg=rng.uniform(35, 80),
        shadow=rng.uniform(0, 0.6),
        shadow_soft_mm=float(rng.choice([0.05, 0.6, 1.5])),
        blur_px=rng.uniform(0.7, 1.5),
        noise_grey=rng.uniform(0.5, 2.5),
        sharpen=rng.uniform(0, 0.8),
        jpeg_quality=int(rng.integers(80, 96)),
    )
    return replace(drawn, **fixed)


_HALF_X, _HALF_Y = (-CARD_MM[0] / 2, CARD_MM[0] / 2), (-CARD_MM[1] / 2, CARD_MM[1] / 2)
_KEY_NAMES = set(KeySpec.__dataclass_fields__) | {"edges", "lie", "count"}
_CAMERA_NAMES = set(random_camera.__kwdefaults__ or ())


def _or(given: T | None, drawn: T) -> T:
    """What is given, else what was drawn (drawn always, so that fixing one thing leaves the others as they were)."""
    return drawn if given is None else given


def _with_head(rng: np.random.Generator, key: KeySpec, lie: Lie) -> KeySpec:
    """The key with a head as thick as its lie needs."""
    if lie == "flat":
        return replace(key, head_thickness_mm=key.thickness_mm)
    if lie == "lifted":
        return replace(key, head_thickness_mm=key.thickness_mm + rng.uniform(0.4, 0.7))
    heads = [replace(key, head_thickness_mm=thick) for thick in rng.uniform(8.6, 10.6, 20)]
    wanted = [head for head in heads if PITCH_DEG[0] <= np.degrees(pitch_rad(head)) <= PITCH_DEG[1]]
    return wanted[0] if wanted else min(heads, key=lambda head: abs(np.degrees(pitch_rad(head)) - np.mean(PITCH_DEG)))


def _random_grooves(rng: np.random.Generator, width_mm: float) -> tuple[tuple[float, float], ...]:
    """Up to two grooves, clear of the edges."""
    starts = np.array([0.15, 0.5])[: rng.integers(0, 3)] * width_mm
    widths = rng.uniform(0.8, 1.6, len(starts))
    return tuple((float(y), float(y + width)) for y, width in zip(starts, widths, strict=True))


def _random_cuts(rng: np.random.Generator, key: KeySpec, edges: int, count: int | None) -> tuple[CutSpec, ...]:
    """Evenly spaced cuts of random depth, no flank reaching into a neighbour's flat or the stop's face."""
    tan = np.tan(np.radians(key.angle_deg / 2))
    deepest = (0.42 if edges == 1 else 0.22) * key.width_mm
    bow, tip = rng.uniform(4, 5), key.tip_reach_mm + key.flat_mm / 2 + 0.3
    first, room = (bow, key.length_mm - bow - tip) if key.stop == "shoulder" else (tip, key.length_mm - bow - tip)
    most = int(room // (key.flat_mm + 1.2)) + 1
    number = min(_or(count, int(rng.integers(4, 12))), most)
    spacing = min(room / (number - 1), rng.uniform(2.2, 4.2)) if number > 1 else 0.0
    spacing = max(spacing, key.flat_mm + 1.2)
    positions = first + spacing * np.arange(number)
    roots = key.width_mm - rng.uniform(0.3, deepest, number)
    limit = (spacing - key.flat_mm - FLANK_SPARE_MM) / tan
    for order in (range(1, number), range(number - 2, -1, -1)):
        for i in order:
            beside = i - 1 if order.step == 1 else i + 1
            roots[i] = min(roots[i], roots[beside] + limit)
    sides: tuple[Literal["a", "b"], ...] = ("a",) if edges == 1 else ("a", "b")
    return tuple(CutSpec(e, float(p), float(r)) for e in sides for p, r in zip(positions, roots, strict=True))


def _beside_card(
    rng: np.random.Generator,
    key: KeySpec,
    *,
    yaw_deg: float | None = None,
    face_up: Literal["a", "b"] | None = None,
) -> KeyPose:
    """Lay the key beside a long side of the card."""
    drawn: Literal["a", "b"] = "a" if rng.random() < 0.5 else "b"
    pose = lay_down(key, (rng.uniform(-15, 15), 0.0), _or(yaw_deg, rng.uniform(0, 360)), face_up or drawn)
    ends = np.array([[x, y, 0.0] for x in _reach_mm(key) for y in (-key.head_width_mm / 2, key.head_width_mm / 2)])
    y = pose.to_world(ends + np.array([0, key.width_mm / 2, 0]))[:, 1]
    gap = CARD_MM[1] / 2 + rng.uniform(6, 14)
    shift = gap - y.min() if rng.random() < 0.5 else -gap - y.max()
    return replace(pose, translation_mm=pose.translation_mm + np.array([0, shift, 0]))


def _corners_mm(key: KeySpec, pose: KeyPose) -> Array:
    """World points of both rims of blade and head."""
    rims = [
        np.column_stack([prism.plan_mm, np.full(len(prism.plan_mm), z)])
        for prism in (blade_prism(key), head_prism(key))
        for z in (prism.z_low_mm, prism.z_high_mm)
    ]
    return pose.to_world(np.vstack(rims))


def _reach_mm(key: KeySpec) -> tuple[float, float]:
    """Key-frame x of the head's far end and of the tip."""
    return -key.collar_mm - key.head_length_mm, key.length_mm


def _camera_on(
    rng: np.random.Generator, key: KeySpec, pose: KeyPose, fixed: dict[str, Any]
) -> tuple[Camera, tuple[int, int], float]:
    """A random camera that sees key and card whole."""
    middle = pose.to_world(np.array([np.mean(_reach_mm(key)), key.width_mm / 2, 0.0]))[:2] / 2
    seen_mm = np.vstack([_corners_mm(key, pose), *([[x, y, CARD_MM[2]]] for x in _HALF_X for y in _HALF_Y)])
    for _ in range(TRIES):
        target = middle + rng.uniform(-8, 8, 2)
        camera, size, told = random_camera(rng, (float(target[0]), float(target[1])), **fixed)
        points = camera.project(seen_mm)
        if np.all(points > FRAME_PX) and np.all(points < np.array(size) - 1 - FRAME_PX):
            return camera, size, told
    raise ValueError(f"no camera with {fixed} sees all of the key and the card")
