"""What locating edges makes of a made scene, without a picture: everything that the photo's stages would have found.

The scene is exact; what is put on it here are the errors of locating alone, of sizes that are told, so that whatever
else the lengths err by comes from what is not known of camera, card and lie.  The stages from the card's edge points
to the scale, and from the outline to blade and cuts, are then those of the photo path.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.outlines.ends import Step
from keyid.outlines.lie import THICKNESS_U_MM, assume_inputs, place
from keyid.outlines.outline import PAST_STEP_MM, STEP_LOOK_MM, TIP_MARGIN_MM, EdgePoints, Outline
from keyid.outlines.rims import STRIDE
from keyid.outlines.strip import STEP_MM
from keyid.photos.photo import Photo
from keyid.scales import card, card_fit, card_search
from keyid.scales.camera import Camera
from keyid.scales.card_edges import STATIONS
from keyid.scales.card_fit import EdgePoints as CardPoints
from keyid.scales.card_looks import MAX_COST
from keyid.scales.card_measure import shifts_of
from keyid.scales.card_scale import scale_from_fits
from keyid.scales.lens import lenses_of
from keyid.scales.scale import Scale
from keyid.silhouettes.silhouette import Silhouette
from tests.scene import SceneTruth
from tests.scene.key import Edge, KeySpec
from tests.scene.outline import project_plan

Array = NDArray[np.float64]
Seen = Callable[[Array, Array], Array]
"""From x and y of the key frame to s and v of the lie, as seen on the upper face."""

STATION_PX = 0.2  # scatter of the card's stations, as on photos
SIDE_INSIDE_MM = (-0.075, 0.025)  # a card's rim is rounded: a side's edge appears that far outside it, any as likely
SIDE_TURN_MM = 0.01  # and differs by that much more at its end
SIZE_MM = (0.125, 0.055, 0.08)  # cards differ by up to that in width, height and thickness (limits; see `scales.card`)
FRAME_MM = 0.3  # the frame along the blade is good to that
NOISE_MM = (0.005, 0.02)  # sd of a rim's points, from scene to scene
TOGETHER_MM = 0.085  # sd of the smoothing of that noise: it then goes together over 0.3 mm
SIDE_MM = 0.015  # and the whole rim is off by that: sharpening, shade
STOP_MM, TIP_MM = 0.025, 0.055  # sd of the shoulder's and the tip's place, as on the development photos
SCORE = 0.8  # a step that is clearly seen
STATION_MM = STRIDE * STEP_MM
DENSE_MM = 0.002
TIP_SIDE_MM = 0.5  # the tip is looked at up to that near to the edges


@dataclass(frozen=True)
class Taken:
    """A picture's frame: a part of what the camera took, and what its file tells."""

    photo: Photo
    camera: Camera


def taken(truth: SceneTruth, photo: Photo, offset_px: tuple[float, float] = (0.0, 0.0)) -> Taken:
    """The photo with its own camera: that of the scene counted from a crop's corner."""
    x, y = truth.camera.centre_px
    return Taken(photo, replace(truth.camera, centre_px=(x - offset_px[0], y - offset_px[1])))


def located_scale(rng: np.random.Generator, view: Taken) -> Scale:
    """The scale from a card's edge points with errors of locating."""
    size = _made_card(rng)
    side = np.repeat(np.arange(4), STATIONS)
    share = (np.arange(STATIONS) + 0.5) / STATIONS * 2 - 1
    along = np.concatenate([share * card.straight_mm(k) for k in range(4)])
    outward = np.column_stack([card.SIDE_NORMALS[side], np.zeros(len(side))])
    rim = card.side_points_mm(side, along, size)
    seen = view.camera.project(rim)
    normal = view.camera.project(rim + 0.1 * outward) - seen
    density = np.linalg.norm(normal, axis=1) / 0.1
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    off_mm = rng.uniform(*SIDE_INSIDE_MM, 4)[side] + SIDE_TURN_MM * rng.standard_normal(4)[side] * np.tile(share, 4)
    off_px = off_mm * density + STATION_PX * rng.standard_normal(len(side))
    scatter = np.full(4, STATION_PX)
    points = CardPoints(side, along, np.zeros(len(side), bool), seen + off_px[:, None] * normal, normal, scatter[side])
    per_side = np.array([density[side == k].mean() for k in range(4)])
    corners = view.camera.project(card.corners_mm(size)) + STATION_PX * rng.standard_normal((4, 2))
    homography = card_search.homographies(corners[None])[0]
    fits = [
        card_fit.fit(
            points, card_search.pose(homography, lens.focal_px, lens.centre_px), lens, shifts_of(per_side, scatter)
        )
        for lens in lenses_of(view.photo)
    ]
    return scale_from_fits(view.photo, [one for one in fits if one.cost < MAX_COST] or fits)


def _made_card(rng: np.random.Generator) -> card.CardSize:
    """A card within its limits."""
    nominal = np.array([card.WIDTH_MM, card.HEIGHT_MM, card.THICKNESS_MM])
    return card.CardSize(*(nominal + np.array(SIZE_MM) * rng.uniform(-1, 1, 3)))


def located_outline(rng: np.random.Generator, truth: SceneTruth, view: Taken, scale: Scale) -> Outline:
    """The blade's outline on the upper face that is assumed of it, with errors of locating."""
    key, camera = truth.key, scale.camera
    middle = key.width_mm / 2

    def pixels(x_mm: Array, y_mm: Array) -> Array:
        return project_plan(np.column_stack([x_mm, y_mm]), truth.up_mm, truth.pose, view.camera)

    ends = rng.uniform(-FRAME_MM, FRAME_MM, (2, 2)) + np.array([[-key.collar_mm, middle], [key.length_mm, middle]])
    contour = truth.outline_px + np.subtract(view.camera.centre_px, truth.camera.centre_px)
    silhouette = Silhouette(contour, pixels(*ends.T), key.width_mm, key.head)
    inputs = assume_inputs(silhouette, scale)
    lie = place(inputs, silhouette.blade_px, camera)

    def seen(x_mm: Array, y_mm: Array) -> Array:
        return lie.from_px(pixels(x_mm, y_mm), camera)

    noise = float(rng.uniform(*NOISE_MM))
    edges = [_edge(rng, key, edge, noise, seen) for edge in ("a", "b")]
    steps = [
        _step(rng, key.step_a_mm, key.width_mm + STEP_LOOK_MM, seen),
        _step(rng, key.step_b_mm, -STEP_LOOK_MM, seen),
    ]
    if np.median(edges[0].v_mm) < np.median(edges[1].v_mm):
        edges, steps = edges[::-1], steps[::-1]
    head = float(seen(np.zeros(1), np.array([middle]))[0, 0])
    return Outline(
        camera, lie, inputs, THICKNESS_U_MM, *edges, _tip(rng, key, noise, seen), *steps, head, key.head, 0.0
    )


def _edge(rng: np.random.Generator, key: KeySpec, edge: Edge, noise_mm: float, seen: Seen) -> EdgePoints:
    """A rim's points; the noise is across the rim, so that it counts more across the blade where a flank is steep."""
    x = np.arange(PAST_STEP_MM, key.length_mm - TIP_MARGIN_MM, STATION_MM)
    height = key.height_mm(edge, x)
    steep = np.hypot(1.0, np.gradient(height, x))
    off = (SIDE_MM * rng.standard_normal() + noise_mm * _together(rng, len(x))) * steep
    s_v = seen(x, height + off if edge == "a" else key.width_mm - height - off)
    order = np.argsort(s_v[:, 0])
    return EdgePoints(*s_v[order].T, noise_mm * steep[order])


def _tip(rng: np.random.Generator, key: KeySpec, noise_mm: float, seen: Seen) -> EdgePoints:
    """The tip's rim, v ascending."""
    y = np.arange(TIP_SIDE_MM, key.width_mm - TIP_SIDE_MM, STATION_MM)
    off = TIP_MM * rng.standard_normal() + noise_mm * _together(rng, len(y))
    s_v = seen(_front(key, y) + off, y)
    order = np.argsort(s_v[:, 1])
    return EdgePoints(*s_v[order].T, np.full(len(y), noise_mm))


def _front(key: KeySpec, y_mm: Array) -> Array:
    """Foremost metal at each y."""
    x = np.arange(key.length_mm - key.tip_reach_mm - 1.0, key.length_mm + DENSE_MM / 2, DENSE_MM)
    inside = (y_mm[:, None] <= key.height_mm("a", x)) & (y_mm[:, None] >= key.width_mm - key.height_mm("b", x))
    return np.asarray(x[x.size - 1 - np.argmax(inside[:, ::-1], axis=1)])


def _step(rng: np.random.Generator, step_mm: float, y_mm: float, seen: Seen) -> Step | None:
    """The shoulder's step on one side."""
    if step_mm == 0:
        return None
    return Step(float(seen(STOP_MM * rng.standard_normal(1), np.array([y_mm]))[0, 0]), SCORE)


def _together(rng: np.random.Generator, count: int) -> Array:
    """Unit noise that goes together along a rim."""
    sd = TOGETHER_MM / STATION_MM
    kernel = np.exp(-0.5 * (np.arange(-4, 5) / sd) ** 2)
    white = rng.standard_normal(count + len(kernel) - 1)
    return np.convolve(white, kernel / np.sqrt(np.sum(kernel**2)), mode="valid")
