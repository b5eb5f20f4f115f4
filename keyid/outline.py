"""The blade's outline on its upper face: sub-pixel rims, tip and shoulder steps, in the plane of the face."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.bloom import BLOOM_PX, BLOOM_U_PX, bloom_px, mm_per_px
from keyid.camera import Camera
from keyid.ends import Step, find_step
from keyid.face import CORE, LIMIT, face_log_ratio, metal_log_ratio
from keyid.lie import THICKNESS_U_MM, Lie, LieInputs, assume_inputs, place
from keyid.photo import Photo
from keyid.rims import (
    LAND_PERCENTILE,
    STRIDE,
    THICKNESSES_MM,
    TIP_SIDE_MM,
    Rim,
    Side,
    centred,
    choose_thickness,
    follow,
    look_outward,
    look_past_tip,
    refine,
)
from keyid.scale import Scale
from keyid.silhouette import Silhouette
from keyid.strip import Image, Strip, recentred, straighten_aligned

Array = NDArray[np.float64]

RUNS_ON_MM = 1.5  # the strip's last stretch, well past a coarse tip
RUNS_ON = 0.5  # of the greatest log ratio: clearly face
LENGTHENED_MM = 3.0  # a step on: less than what lies past the coarse tip
LENGTHENED_TIMES = 6
TIP_MARGIN_MM = 0.6  # the sides are followed up to there before the tip
BODY_FROM_TIP_MM = (4.0, 16.0)  # stretch that belongs to the blade of every key, not to its collar or tip
STEP_LOOK_MM = 0.7  # beyond the edge: the middle of the shoulder's flat face
EDGE_U_MM = 0.012  # an edge's place on a sharp rim: resampling, sharpening, burrs (from the development photos)
NOISE_U_MM = 0.00035  # times 1 / gradient: noise moves a weak edge
WEAK_GRADIENT = 0.004  # linear light per sample: below it nothing was seen
MERGED_MM = 0.15  # rims nearer than that merge into one edge
MERGED_PART = 0.58  # standard uncertainty of a merged edge, as a part of the rims' distance: it may be either rim


@dataclass(frozen=True)
class EdgePoints:
    """Points of an edge's upper rim in the frame of the lie.

    Attributes
    ----------
    s_mm, v_mm : ndarray, shape (n,)
        Place along and across; s ascending.
    u_mm : ndarray, shape (n,)
        Standard uncertainty across the rim from locating it; infinite where nothing was seen.
    """

    s_mm: Array
    v_mm: Array
    u_mm: Array


@dataclass(frozen=True)
class Outline:
    """What was measured of the blade in the photo.

    Attributes
    ----------
    camera : Camera
    lie : Lie
        The plane of the upper face.
    inputs : LieInputs
        What the lie was made from.
    thickness_u_mm : float
        Standard uncertainty of the thickness.
    upper, lower : EdgePoints
        The rims at greater and at smaller v.
    tip : EdgePoints
        The tip's rim: here v ascends and s is measured.
    upper_step, lower_step : Step or None
        The shoulder's step beside each edge.
    head_s_mm : float
        Where the blade leaves the head or collar, coarsely.
    head : str
        "metal" or "plastic".
    bloom_u_mm : float
        Standard uncertainty of the edges' common shift where metal is blown out; 0 where it is not.
    """

    camera: Camera
    lie: Lie
    inputs: LieInputs
    thickness_u_mm: float
    upper: EdgePoints
    lower: EdgePoints
    tip: EdgePoints
    upper_step: Step | None
    lower_step: Step | None
    head_s_mm: float
    head: str
    bloom_u_mm: float


def find_outline(photo: Photo, scale: Scale, silhouette: Silhouette, thickness_mm: float | None = None) -> Outline:
    """Measure the outline of the blade's upper face to sub-pixel.

    ``thickness_mm`` is a thickness known from elsewhere; without it the photo's own evidence is used.
    """
    camera = scale.camera
    inputs = assume_inputs(silhouette, scale, thickness_mm)
    strip = _to_the_tip(photo, camera, inputs, silhouette)
    middle, width = centred(strip, face_log_ratio(strip), camera, -TIP_MARGIN_MM)
    strip = recentred(strip, photo, camera, inputs, middle, width)
    face = face_log_ratio(strip)
    tip_side = look_past_tip(strip, metal_log_ratio(strip), camera)
    tip_rims, _ = follow(tip_side, np.array([inputs.thickness_mm]))
    px_mm = mm_per_px(strip, camera)
    last = float(np.max(_tip_points(strip, tip_side, tip_rims[0], px_mm).s_mm)) - TIP_MARGIN_MM
    sides = [look_outward(strip, face, camera, sign, last) for sign in (1, -1)]
    followed = [follow(side) for side in sides]
    thickness, thickness_u = choose_thickness(followed[0][1] + followed[1][1])
    if thickness_mm is not None:
        thickness, thickness_u = thickness_mm, 0.1 * THICKNESS_U_MM
    best = int(np.argmin(np.abs(THICKNESSES_MM - thickness)))
    upper, lower = (
        _edge_points(strip, side, rims[best], sign, thickness, px_mm)
        for side, (rims, _), sign in zip(sides, followed, (1, -1), strict=True)
    )
    tip_rims, _ = follow(tip_side, np.array([thickness]))
    steps = [_step(strip, face, points, sign, px_mm) for points, sign in ((upper, 1), (lower, -1))]
    outline = Outline(
        camera=camera,
        lie=strip.lie,
        inputs=inputs,
        thickness_u_mm=thickness_u,
        upper=upper,
        lower=lower,
        tip=_tip_points(strip, tip_side, tip_rims[0], px_mm),
        upper_step=steps[0],
        lower_step=steps[1],
        head_s_mm=-strip.length_mm,
        head=silhouette.head,
        bloom_u_mm=_bloom_u_mm(strip, (upper, lower), px_mm),
    )
    return seen_by(outline, camera, replace(inputs, thickness_mm=thickness))


def _to_the_tip(photo: Photo, camera: Camera, inputs: LieInputs, silhouette: Silhouette) -> Strip:
    """The straightened blade, lengthened while its face runs on through the strip's end.

    A coarse silhouette may end at a glare or at a groove; the blade doesn't.
    """
    ends = silhouette.blade_px
    for _ in range(LENGTHENED_TIMES):
        strip = straighten_aligned(photo, camera, inputs, ends, silhouette.width_mm)
        core = np.abs(strip.v_mm) < CORE * strip.width_mm
        past = face_log_ratio(strip)[np.ix_(core, strip.s_mm > strip.s_mm[-1] - RUNS_ON_MM)]
        if np.mean(past) < RUNS_ON * LIMIT:
            break
        ends = strip.lie.to_px(np.array([[-strip.length_mm, 0.0], [LENGTHENED_MM, 0.0]]), camera)
    return strip


def seen_by(outline: Outline, camera: Camera, inputs: LieInputs) -> Outline:
    """The same pixels understood with another camera and another lie."""
    ends = outline.lie.to_px(np.array([[outline.head_s_mm, 0.0], [0.0, 0.0]]), outline.camera)
    lie = place(inputs, ends, camera)

    def again(s_v: Array) -> Array:
        return lie.from_px(outline.lie.to_px(s_v, outline.camera), camera)

    def points(old: EdgePoints) -> EdgePoints:
        new = again(np.stack([old.s_mm, old.v_mm], axis=-1))
        return EdgePoints(new[:, 0], new[:, 1], old.u_mm)

    def step(old: Step | None, v_mm: float) -> Step | None:
        return None if old is None else Step(float(again(np.array([[old.s_mm, v_mm]]))[0, 0]), old.score)

    edges = [float(np.median(points.v_mm)) for points in (outline.upper, outline.lower)]
    return replace(
        outline,
        camera=camera,
        lie=lie,
        inputs=inputs,
        upper=points(outline.upper),
        lower=points(outline.lower),
        tip=points(outline.tip),
        upper_step=step(outline.upper_step, edges[0]),
        lower_step=step(outline.lower_step, edges[1]),
        head_s_mm=float(again(np.array([[outline.head_s_mm, 0.0]]))[0, 0]),
    )


def _edge_points(strip: Strip, side: Side, rim: Rim, sign: int, thickness_mm: float, px_mm: float) -> EdgePoints:
    """Refine a side's rim and estimate how well it is located."""
    place, gradient = refine(side, rim)
    slope = rim.move / STRIDE
    steep = np.hypot(1.0, slope)
    s_mm = strip.s_mm[rim.column]
    bloom = bloom_px(strip, s_mm, sign * place, (0.0, -float(sign))) * px_mm * steep
    apart = (side.wall[:, 1] - slope * side.wall[:, 0]) / steep * thickness_mm
    merged = np.where((apart > 0) & (apart < MERGED_MM), MERGED_PART * apart, 0.0)
    u = np.sqrt(EDGE_U_MM**2 + (NOISE_U_MM / np.maximum(gradient, 1e-6)) ** 2 + merged**2) * steep
    u = np.where(gradient < WEAK_GRADIENT, np.inf, u)
    return EdgePoints(s_mm, sign * (place - bloom), u)


def _bloom_u_mm(strip: Strip, edges: tuple[EdgePoints, EdgePoints], px_mm: float) -> float:
    """Standard uncertainty of the bloom taken off the edges, weighed by how much of them is blown out."""
    shares = [
        float(np.mean(bloom_px(strip, edge.s_mm, edge.v_mm, (0.0, inward)))) / BLOOM_PX
        for edge, inward in zip(edges, (-1.0, 1.0), strict=True)
    ]
    return BLOOM_U_PX * px_mm * max(shares)


def _tip_points(strip: Strip, side: Side, rim: Rim, px_mm: float) -> EdgePoints:
    """The tip's rim, v ascending."""
    place, gradient = refine(side, rim)
    across = strip.v_mm[np.abs(strip.v_mm) < strip.width_mm / 2 - TIP_SIDE_MM][rim.column]
    place = place - bloom_px(strip, place, across, (-1.0, 0.0)) * px_mm
    u = np.where(gradient < WEAK_GRADIENT, np.inf, EDGE_U_MM + NOISE_U_MM / np.maximum(gradient, 1e-6))
    return EdgePoints(place[::-1], across[::-1], u[::-1])


def _step(strip: Strip, face: Image, points: EdgePoints, sign: int, px_mm: float) -> Step | None:
    """The shoulder's step beside an edge, whose level is taken from its outermost stretch along the blade."""
    body = (points.s_mm > -BODY_FROM_TIP_MM[1]) & (points.s_mm < -BODY_FROM_TIP_MM[0]) & np.isfinite(points.u_mm)
    if not body.any():
        return None
    level = float(np.percentile(points.v_mm[body] * sign, LAND_PERCENTILE))
    step = find_step(strip, face, sign, level)
    if step is None:
        return None
    beside = np.array([sign * (level + STEP_LOOK_MM)])
    bloom = bloom_px(strip, np.array([step.s_mm]), beside, (-1.0, 0.0))[0] * px_mm
    return replace(step, s_mm=step.s_mm - float(bloom))
