"""The blade's outline on its upper face: sub-pixel rims, tip and shoulder steps, in the plane of the face."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.blade_region import BladeRegion, find_region, head_of
from keyid.bloom import BLOOM_PX, BLOOM_U_PX, bloom_px, mm_per_px
from keyid.camera import Camera
from keyid.ends import Step, find_step
from keyid.lie import THICKNESS_U_MM, Lie, LieInputs, assume_inputs, place
from keyid.photo import Photo
from keyid.rims import STRIDE, Rim, Side, follow, look_outward, look_past_tip, refine
from keyid.scale import Scale
from keyid.segmentation import Regions, segment
from keyid.silhouette import Silhouette
from keyid.strip import Strip, straighten

Array = NDArray[np.float64]

FRAMED_TIMES = 4  # a coarse silhouette's frame is mended in one or two steps
FRAMED_MM, FRAMED_SLOPE = 0.3, 0.005  # a frame that moves less than that stays
TOLD_THICKNESS_U_MM = 0.05  # of a blade measured with a caliper, less a worn face
TIP_MARGIN_MM = 0.6  # the sides are followed up to there before the tip
PAST_STEP_MM = 0.06  # the edge is followed from there on: past the step's own column and its neighbour
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

    ``thickness_mm`` is a thickness known from elsewhere; without it the usual one is assumed.

    Raises PhotoError ``key-unclear`` when the blade can't be told from what is around it.
    """
    camera = scale.camera
    silhouette, strip, regions, region = _framed(photo, scale, silhouette, thickness_mm)
    px_mm = mm_per_px(strip, camera)
    tip_side = look_past_tip(strip, regions)
    tip = _tip_points(strip, tip_side, follow(tip_side), px_mm)
    last = float(np.max(tip.s_mm)) - TIP_MARGIN_MM
    steps = [_step(strip, regions, region, sign, px_mm) for sign in (1, -1)]
    starts = [region.start_mm if step is None else step.s_mm + PAST_STEP_MM for step in steps]
    odds = regions.face_odds if steps == [None, None] else regions.metal_odds  # near a collar they are hard to part
    sides = [look_outward(strip, odds, sign, first, last) for sign, first in zip((1, -1), starts, strict=True)]
    upper, lower = (
        _edge_points(strip, sign, side, follow(side), px_mm, camera) for sign, side in zip((1, -1), sides, strict=True)
    )
    return Outline(
        camera=camera,
        lie=strip.lie,
        inputs=assume_inputs(silhouette, scale, thickness_mm),
        thickness_u_mm=THICKNESS_U_MM if thickness_mm is None else TOLD_THICKNESS_U_MM,
        upper=upper,
        lower=lower,
        tip=tip,
        upper_step=steps[0],
        lower_step=steps[1],
        head_s_mm=region.start_mm,
        head=silhouette.head,
        bloom_u_mm=_bloom_u_mm(strip, (upper, lower), px_mm),
    )


def _framed(
    photo: Photo, scale: Scale, silhouette: Silhouette, thickness_mm: float | None
) -> tuple[Silhouette, Strip, Regions, BladeRegion]:
    """The strip that lies exactly along the blade, its regions, the blade's place in it, and the silhouette corrected.

    A coarse silhouette may be askew, hold a shadow, end at a glare, or take the head for metal: what the strip shows
    mends it.
    """
    camera = scale.camera
    ends, width = silhouette.blade_px, silhouette.width_mm
    for _ in range(FRAMED_TIMES):
        lie = place(assume_inputs(silhouette, scale, thickness_mm), ends, camera)
        length = -float(lie.from_px(ends[:1], camera)[0, 0])
        strip = straighten(photo, camera, lie, length, width)
        regions = segment(strip, camera)
        region = find_region(strip, regions)
        head = head_of(strip, regions, region) or silhouette.head
        moved = np.abs(region.ends - [[-length, 0.0], [0.0, 0.0]]).max()
        if moved < FRAMED_MM and abs(region.slope) < FRAMED_SLOPE and head == silhouette.head:
            break
        silhouette = replace(silhouette, head=head)
        ends, width = lie.to_px(region.ends, camera), region.width_mm
    return silhouette, strip, regions, region


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


def _edge_points(strip: Strip, sign: int, side: Side, rim: Rim, px_mm: float, camera: Camera) -> EdgePoints:
    """Refine a side's rim and estimate how well it is located."""
    place, gradient = refine(side, rim)
    slope = rim.move / STRIDE
    steep = np.hypot(1.0, slope)
    s_mm = side.at_mm[rim.column]
    wall = strip.lie.wall(np.column_stack([s_mm, sign * place]), camera) * [1.0, sign]
    bloom = bloom_px(strip, s_mm, sign * place, (0.0, -float(sign))) * px_mm * steep
    apart = (wall[:, 1] - slope * wall[:, 0]) / steep * strip.lie.thickness_mm
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
    across = side.at_mm[rim.column]
    place = place - bloom_px(strip, place, across, (-1.0, 0.0)) * px_mm
    u = np.where(gradient < WEAK_GRADIENT, np.inf, EDGE_U_MM + NOISE_U_MM / np.maximum(gradient, 1e-6))
    return EdgePoints(place[::-1], across[::-1], u[::-1])


def _step(strip: Strip, regions: Regions, region: BladeRegion, sign: int, px_mm: float) -> Step | None:
    """The step beside the edge on the side ``sign``."""
    level = sign * region.middle_mm + region.width_mm / 2
    step = find_step(strip, regions, sign, level, region.start_mm)
    if step is None:
        return None
    beside = np.array([sign * (level + STEP_LOOK_MM)])
    bloom = bloom_px(strip, np.array([step.s_mm]), beside, (-1.0, 0.0))[0] * px_mm
    return replace(step, s_mm=step.s_mm - float(bloom))
