"""Paints table, shadow, card and key in linear light, each surface with its exact share of every pixel."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales.camera import Camera
from tests.scene.key import KeyPose, KeySpec, Prism, blade_prism, head_prism, hole_plan, rounded_rectangle
from tests.scene.look import Look
from tests.scene.outline import Solid, chain, facing_walls, project_plan, project_prism, short_stretches
from tests.scene.page import Page
from tests.scene.raster import coverage
from tests.scene.truth import CARD_CORNER_MM, CARD_MM, SceneTruth

Array = NDArray[np.float64]
Image = NDArray[np.float32]

RULE_PITCH_MM, RULE_WIDTH_MM, RULE_REACH_MM = 7.0, 0.4, 250.0  # ruled paper: pitch, line width, half its size
RULE_SHADE = 0.55  # brightness of a ruled line relative to the paper
STRIPE_MM = (9.3, 22.0)  # a card's stripe, measured across the card from its middle
TABLE_POSE = KeyPose(np.eye(3), np.zeros(3), "a")  # takes a plan in x, y of the table as it is
STREAK_MM = 0.08  # width of a brushed surface's streaks


@dataclass(frozen=True)
class Canvas:
    """The drawn window of the photo: its first pixel (x, y) and its shape (height, width)."""

    first: NDArray[np.int64]
    shape: tuple[int, int]

    def cover(self, polygons: list[Array], at_least: int = 1) -> Image:
        """Share of each pixel covered by the union of polygons (photo pixels)."""
        return coverage([polygon - self.first for polygon in polygons if len(polygon)], self.shape, at_least)

    def around(self, polygon: Array) -> tuple[Canvas, tuple[slice, slice]]:
        """The part of the canvas that holds a polygon, and where it lies in this one."""
        end = self.first + self.shape[::-1]
        low = np.clip(np.floor(polygon.min(axis=0)).astype(np.int64) - 1, self.first, end)
        high = np.clip(np.ceil(polygon.max(axis=0)).astype(np.int64) + 2, self.first, end)
        (x, y), (width, height) = low - self.first, high - low
        return Canvas(low, (int(height), int(width))), (slice(y, y + height), slice(x, x + width))


def paint(canvas: Canvas, truth: SceneTruth, look: Look, mottle: Image, page: Page | None = None) -> Image:
    """The window in linear light, before the lens; ``mottle`` is the table's relative brightness.

    On a page there is no card.
    """
    shaded = _shade(canvas, truth, look, page is None) if look.shadow else np.float32(0)
    brightness = mottle * (1 - look.shadow * shaded)
    if page is not None:
        brightness = brightness * page.brightness(truth.camera, canvas.first, canvas.shape, truth.px_per_mm)
    if look.surface == "ruled":
        brightness = brightness * (1 - (1 - RULE_SHADE) * canvas.cover(_rules(truth.camera)))
    picture = brightness[..., None] * np.array(look.table, dtype=np.float32)
    if page is None:
        card, at = canvas.around(chain(project_prism(_card(), TABLE_POSE, truth.camera))[0])
        picture[at] = _with_card(picture[at], card, truth.camera, look)
    key, at = canvas.around(truth.outline_px)
    picture[at] = _with_key(picture[at], key, truth, look)
    return picture


def shadow_outlines(truth: SceneTruth, look: Look, card: bool = True) -> list[Array]:
    """What blade, head and card shade on the table, as outlines in pixels."""
    prisms = [(blade_prism(truth.key), truth.pose), (head_prism(truth.key), truth.pose)]
    if card:
        prisms.append((_card(), TABLE_POSE))
    return [_shadow_outline(prism, pose, truth.camera, look.to_light) for prism, pose in prisms]


def _shadow_outline(prism: Prism, pose: KeyPose, camera: Camera, to_light: Array) -> Array:
    plan = short_stretches(prism.plan_mm)
    cast = []
    for z in (prism.z_high_mm, prism.z_low_mm) if pose.face_up == "a" else (prism.z_low_mm, prism.z_high_mm):
        rim = pose.to_world(np.column_stack([plan, np.full(len(plan), z)]))
        cast.append(rim[:, :2] - rim[:, 2:] * to_light[:2] / to_light[2])
    swept = chain(Solid(plan, cast[0], cast[1], facing_walls(cast[0], cast[1])))[0]
    return camera.project(np.column_stack([swept, np.zeros(len(swept))]))


def _shade(canvas: Canvas, truth: SceneTruth, look: Look, card: bool) -> Image:
    """Blurred share of light taken away on the table, 0 to 1."""
    hard = canvas.cover(shadow_outlines(truth, look, card))
    sigma = look.shadow_soft_mm * truth.px_per_mm
    return hard if sigma == 0 else np.asarray(cv2.GaussianBlur(hard, (0, 0), sigma))


def _rules(camera: Camera) -> list[Array]:
    """Ruled lines all over the table."""
    lines = []
    for y in np.arange(-RULE_REACH_MM, RULE_REACH_MM, RULE_PITCH_MM):
        box = np.array([[-1, 0], [1, 0], [1, 1], [-1, 1]]) * [RULE_REACH_MM, RULE_WIDTH_MM] + [0, y]
        lines.append(project_plan(short_stretches(box, 10.0), 0.0, TABLE_POSE, camera))
    return lines


def _card() -> Prism:
    return Prism(rounded_rectangle(CARD_MM[0], CARD_MM[1], CARD_CORNER_MM), 0.0, CARD_MM[2])


def _with_card(picture: Image, canvas: Canvas, camera: Camera, look: Look) -> Image:
    """The card over the table."""
    solid = project_prism(_card(), TABLE_POSE, camera)
    top, whole = canvas.cover([solid.upper_px]), canvas.cover([chain(solid)[0]])
    half = CARD_MM[0] / 2
    box = np.array([[-half, STRIPE_MM[0]], [half, STRIPE_MM[0]], [half, STRIPE_MM[1]], [-half, STRIPE_MM[1]]])
    stripe = np.zeros_like(top)
    if look.art == "stripe":
        stripe = canvas.cover([project_plan(short_stretches(box), CARD_MM[2], TABLE_POSE, camera)])
    face, side = np.array(look.card, dtype=np.float32), look.wall_shade[1]
    shares = [(1 - whole, picture), (top - stripe, face), (stripe, np.array(look.stripe)), (whole - top, side * face)]
    return _mix(shares)


def _with_key(picture: Image, canvas: Canvas, truth: SceneTruth, look: Look) -> Image:
    """The key over everything: head face, blade face with grooves, and all that is left of it as side walls."""
    key, pose, camera = truth.key, truth.pose, truth.camera
    blade, head = (project_prism(prism, pose, camera) for prism in (blade_prism(key), head_prism(key)))
    hole = [project_plan(hole_plan(key), z, pose, camera) for z in _head_z(key, pose)]
    whole = canvas.cover([chain(blade)[0], chain(head)[0]]) - canvas.cover(hole, at_least=2)
    hiding = chain(project_prism(_head_above(key, pose), pose, camera))[0]
    head_face = canvas.cover([head.upper_px]) - canvas.cover(hole[:1])
    blade_face = canvas.cover([blade.upper_px, hiding]) - canvas.cover([hiding])
    floor = np.minimum(_groove_floors(canvas, truth, blade), blade_face)
    walls = np.maximum(0, whole - head_face - blade_face)
    metal = np.array(look.metal, dtype=np.float32) * _streaks(canvas, truth, look)
    sides = _wall_colours(canvas, truth, look, blade, head)
    shares = [(1 - whole, picture), (head_face, np.array(look.head_colour)), (walls, sides)]
    return _mix([*shares, (blade_face - floor, metal), (floor, np.float32(look.groove_shade) * metal)])


def _mix(shares: list[tuple[Image, NDArray[np.floating]]]) -> Image:
    """Sum of colours, each times its share of the pixel."""
    mixed = np.zeros((*shares[0][0].shape, 3), dtype=np.float32)
    for share, colour in shares:
        mixed += share[..., None] * colour.astype(np.float32, copy=False)
    return mixed


def _head_z(key: KeySpec, pose: KeyPose) -> tuple[float, float]:
    """Key-frame z of the head's face turned up, and of the one turned down."""
    head = head_prism(key)
    return (head.z_high_mm, head.z_low_mm) if pose.face_up == "a" else (head.z_low_mm, head.z_high_mm)


def _head_above(key: KeySpec, pose: KeyPose) -> Prism:
    """The part of the head above the blade's upper face: all that can hide it."""
    head = head_prism(key)
    return replace(head, z_low_mm=key.thickness_mm) if pose.face_up == "a" else replace(head, z_high_mm=0.0)


def _groove_floors(canvas: Canvas, truth: SceneTruth, blade: Solid) -> Image:
    """Share of each pixel covered by grooves of the face turned up."""
    floor = np.zeros(canvas.shape, dtype=np.float32)
    for near, far in truth.key.grooves_mm:
        x = (-truth.key.collar_mm, truth.key.length_mm + 1.0)
        box = np.array([[x[0], near], [x[1], near], [x[1], far], [x[0], far]])
        strip = project_plan(short_stretches(box), truth.up_mm, truth.pose, truth.camera)
        floor += canvas.cover([strip, blade.upper_px], at_least=2)
    return floor


def _streaks(canvas: Canvas, truth: SceneTruth, look: Look) -> Image:
    """Relative brightness of a brushed face, shape (height, width, 1) or (1, 1, 1); streaks run along the blade."""
    if look.brushed == 0:
        return np.ones((1, 1, 1), dtype=np.float32)
    start, end = truth.axis_px
    along = (end - start) / np.linalg.norm(end - start)
    rows, columns = np.indices(canvas.shape, dtype=np.float32)
    across = (columns + canvas.first[0] - start[0]) * -along[1] + (rows + canvas.first[1] - start[1]) * along[0]
    values = np.random.default_rng(0).standard_normal(4096)
    place = across / (truth.px_per_mm * STREAK_MM) + len(values) / 2
    streaks = 1 + look.brushed * np.interp(place, np.arange(len(values)), values)
    return np.asarray(streaks, dtype=np.float32)[..., None]


def _wall_colours(canvas: Canvas, truth: SceneTruth, look: Look, blade: Solid, head: Solid) -> Image:
    """Colour of the side walls pixel by pixel; only their share is exact, their limits to each other are not."""
    shade = float(np.mean(look.wall_shade))
    picture = np.empty((*canvas.shape, 3), dtype=np.float32)
    picture[:] = shade * np.array(look.metal, dtype=np.float32)
    for solid, colour in ((head, look.head_colour), (blade, look.metal)):
        step = np.roll(solid.plan_mm, -1, axis=0) - solid.plan_mm
        outward = np.column_stack([step[:, 1], -step[:, 0], np.zeros(len(step))]) @ truth.pose.rotation.T
        lit = np.clip(outward @ look.to_light / np.linalg.norm(step, axis=1), 0, 1)
        shades = look.wall_shade[0] + (look.wall_shade[1] - look.wall_shade[0]) * lit
        for i in np.nonzero(solid.facing)[0]:
            j = (i + 1) % len(step)
            quad = np.array([solid.upper_px[i], solid.upper_px[j], solid.lower_px[j], solid.lower_px[i]])
            cv2.fillPoly(picture, [np.round(quad - canvas.first).astype(np.int32)], shades[i] * np.array(colour))
    return picture
