"""The blade's outline on its upper face: sub-pixel rims, tip and shoulder steps, in the plane of the face."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyid.outlines.blade_region import BladeRegion, find_region, head_of, level_at_start, unclear_blade
from keyid.outlines.bloom import BLOOM_U_PART, bloom_mm, blur_on_blade_mm
from keyid.outlines.ends import Step, find_collar, find_plastic, find_step
from keyid.outlines.lie import THICKNESS_U_MM, Lie, LieInputs, assume_inputs, place
from keyid.outlines.rims import STRIDE, Rim, Side, follow, look_outward, look_past_tip, refine, undecided_mm
from keyid.outlines.segmentation import Regions, segment
from keyid.outlines.straight_edge import StraightEdge, find_straight_edge, is_followed, stands_for
from keyid.outlines.strip import STEP_MM, Image, Strip, straighten
from keyid.photos.photo import Photo
from keyid.scales.camera import Camera
from keyid.scales.pointed import NOTHING_POINTED, Point, Pointed
from keyid.scales.scale import Scale
from keyid.silhouettes.silhouette import Silhouette

Array = NDArray[np.float64]

FRAMED_TIMES = 4  # a coarse silhouette's frame is mended in one or two steps
FRAMED_MM, FRAMED_SLOPE = 0.3, 0.005  # a frame that moves less than that stays
FRONT_MM = 0.8  # so does one whose plastic head begins that near to where it was taken to: 0.15 degrees of pitch
HELD_SLOPE = 0.002  # of a strip that is kept when ends are pointed at: 0.06 mm over a blade; steeper ones are laid anew
START_MOVED_MM, TIP_MOVED_MM = 1.5, 1.5  # of pointed ends from found ones: beyond, more was found wrong than the ends
TOLD_THICKNESS_U_MM = 0.05  # of a blade measured with a caliper, less a worn face
TIP_MARGIN_MM = 0.6  # the sides are followed up to there before the tip
SHORTEST_MM = 5.0  # of an edge to be followed: no key has its cuts on less
PAST_STEP_MM = 0.06  # the edge is followed from there on: past the step's own column and its neighbour
FLARE_MM = 2.0  # past the blade's start: so far a round head of metal reaches along the edges (development photos)
LANDS_GONE_MM = 0.5  # a blade that begins so much further out than its lands has none: those are peaks between cuts
STEP_LOOK_MM = 0.7  # beyond the edge: the middle of the shoulder's flat face
EDGE_U_MM = 0.012  # an edge's place on a sharp rim: resampling, sharpening, burrs (from the development photos)
NOISE_U_MM = 0.00035  # times 1 / gradient: noise moves a weak edge
DECIDED_MM = 0.08  # band of undecided regions at a rim that is as clear as can be: the network's own resolution
UNDECIDED_PART = 0.6  # of a wider band: two thirds of errors are less, in photos the network was not trained with
WEAK_GRADIENT = 0.004  # linear light per sample: below it nothing was seen
MERGED_MM = 0.15  # rims nearer than that merge into one edge
AT_TIP_MM = 3.0  # a stop that was pointed at so near to the tip is the tip: no shoulder is
WALL_PARTS = (0.25, 0.5, 0.75)  # of the way from a rim to its wall's foot: where the wall is looked for
SHOWN_SHARE = 0.5  # of wall in the regions there, from which on it is taken for seen
UNSHOWN_PART = 0.6  # of a wall's width: where the regions show nothing of it, two rims in three are its foot
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
class FacePoint:
    """A place that was pointed at, on the upper face in the frame of the lie, with its uncertainty along the blade."""

    s_mm: float
    v_mm: float
    u_mm: float


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
    told_stop : str or None
        "shoulder" or "tip" where a person pointed at the stop.
    shoulder_at, tip_at : FacePoint or None
        A shoulder and a tip that were pointed at; ``tip`` is then that one point.
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
    told_stop: Literal["shoulder", "tip"] | None = None
    shoulder_at: FacePoint | None = None
    tip_at: FacePoint | None = None


@dataclass(frozen=True)
class LaidStrip:
    """A strip exactly along the blade, its regions, the blade's place in it, and the silhouette corrected."""

    silhouette: Silhouette
    strip: Strip
    regions: Regions
    region: BladeRegion


def find_outline(
    photo: Photo,
    scale: Scale,
    silhouette: Silhouette,
    thickness_mm: float | None = None,
    pointed: Pointed = NOTHING_POINTED,
) -> Outline:
    """Measure the outline of the blade's upper face to sub-pixel: `lay_strip`, then `trace_outline`.

    ``thickness_mm`` is a thickness known from elsewhere; without it the usual one is assumed.  A stop and a tip that
    were pointed at are taken as they are.

    Raises PhotoError ``key-unclear`` when the blade can't be told from what is around it.
    """
    return trace_outline(lay_strip(photo, scale, silhouette, thickness_mm, pointed), scale, thickness_mm, pointed)


def trace_outline(laid: LaidStrip, scale: Scale, thickness_mm: float | None, pointed: Pointed) -> Outline:
    """Follow the rims of a blade along which the strip was laid, and measure tip and shoulder.

    Raises PhotoError ``key-unclear`` when hardly any blade, or no edge along one of its sides, is seen.
    """
    camera = scale.camera
    silhouette, strip, regions = laid.silhouette, laid.strip, laid.regions
    region = _moved(laid.region, _between_pointed(laid.region.ends, strip.lie, camera, pointed))
    blur_mm = blur_on_blade_mm(strip, camera, scale.blur_px)
    stop_at, tip_at = (_on_face(point, strip.lie, camera, pointed.u_px) for point in (pointed.stop_px, pointed.tip_px))
    tip = _found_tip(strip, regions, blur_mm) if tip_at is None else _alone(tip_at)
    last = float(np.max(tip.s_mm)) - TIP_MARGIN_MM
    steps: list[Step | None] = [None, None]
    if stop_at is None:
        steps = [_step(strip, regions, region, sign, blur_mm, camera) for sign in (1, -1)]
        if steps == [None, None]:
            steps = [find_collar(strip, regions, region.middle_mm, region.width_mm, region.tip_mm)] * 2
    shoulder_at = stop_at if stop_at is not None and not _is_at_tip(stop_at.s_mm, float(np.max(tip.s_mm))) else None
    starts = [region.start_mm if step is None else step.s_mm + PAST_STEP_MM for step in steps]
    if shoulder_at is not None:
        starts = [shoulder_at.s_mm + PAST_STEP_MM] * 2
    if last - max(starts) < SHORTEST_MM:
        raise unclear_blade()
    collar = shoulder_at is not None or steps != [None, None]
    odds = _rim_odds(strip, regions, region.start_mm, flares=silhouette.head == "metal" and not collar)
    alone = regions.metal_odds_alone
    sides = [look_outward(strip, odds, alone, sign, first, last) for sign, first in zip((1, -1), starts, strict=True)]
    upper, lower = (
        _edge_points(strip, regions, sign, side, follow(side), blur_mm, camera)
        for sign, side in zip((1, -1), sides, strict=True)
    )
    if not all(np.isfinite(edge.u_mm).any() for edge in (upper, lower)):  # the regions alone measure nothing
        raise unclear_blade()
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
        bloom_u_mm=_bloom_u_mm(strip, (upper, lower), blur_mm),
        told_stop=None if stop_at is None else "tip" if shoulder_at is None else "shoulder",
        shoulder_at=shoulder_at,
        tip_at=tip_at,
    )


def _rim_odds(strip: Strip, regions: Regions, start_mm: float, *, flares: bool) -> Image:
    """Log odds of what a rim is followed along: all metal, for the regions part collar and face badly.

    Of a metal head without a collar, which ``flares`` into the blade's edges, only what is face.
    """
    head = strip.s_mm < start_mm + FLARE_MM if flares else np.zeros(len(strip.s_mm), bool)
    return np.asarray(np.where(head, regions.face_odds, regions.metal_odds), np.float32)


def lay_strip(
    photo: Photo, scale: Scale, silhouette: Silhouette, thickness_mm: float | None, pointed: Pointed
) -> LaidStrip:
    """Lay the strip exactly along the blade.

    A coarse silhouette may be askew, hold a shadow, end at a glare, or take the head for metal: what the strip shows
    mends it.  Ends that were pointed at stay where they are.
    """
    camera = scale.camera
    lie = place(assume_inputs(silhouette, scale, thickness_mm), silhouette.blade_px, camera)
    ends = lie.to_px(_between_pointed(lie.from_px(silhouette.blade_px, camera), lie, camera, pointed), camera)
    width = silhouette.width_mm
    for _ in range(FRAMED_TIMES):
        lie = place(assume_inputs(silhouette, scale, thickness_mm), ends, camera)
        length = -float(lie.from_px(ends[:1], camera)[0, 0])
        strip = straighten(photo, camera, lie, length, width)
        regions = segment(strip, camera)
        region = find_region(strip, regions)
        head = head_of(strip, regions, region) or silhouette.head
        found = _between_pointed(region.ends, lie, camera, pointed)
        front = _blade_behind(strip, regions, region, silhouette, camera) if head == "plastic" else silhouette.blade_px
        region = _moved(region, found)
        moved = np.abs(found - [[-length, 0.0], [0.0, 0.0]]).max()
        held = np.abs(np.diff(lie.from_px(np.stack([front, silhouette.blade_px]), camera), axis=0)).max() < FRONT_MM
        if moved < FRAMED_MM and abs(region.slope) < FRAMED_SLOPE and head == silhouette.head and held:
            break
        silhouette = replace(silhouette, head=head, blade_px=front)
        ends, width = lie.to_px(found, camera), region.width_mm
    return LaidStrip(silhouette, strip, regions, region)


def _blade_behind(strip: Strip, regions: Regions, region: BladeRegion, silhouette: Silhouette, camera: Camera) -> Array:
    """The blade's ends as the silhouette has them, (2, 2) in pixels, corrected by where the plastic head begins."""
    front = find_plastic(strip, regions, region.middle_mm, region.width_mm, region.tip_mm)
    if front is None:
        return silhouette.blade_px
    ends = region.ends
    back = ends[1] + (ends[0] - ends[1]) * (region.tip_mm - front) / max(region.tip_mm - region.start_mm, STEP_MM)
    return strip.lie.to_px(np.stack([back, ends[1]]), camera)


def holds(laid: LaidStrip, scale: Scale, pointed: Pointed) -> bool:
    """Whether a strip that was laid without pointing will do for ends that were pointed at.

    It does where it is level and the ends lie near its own.
    """
    found = laid.region.ends
    away = np.abs(_between_pointed(found, laid.strip.lie, scale.camera, pointed) - found).max(axis=1)
    near = away[0] < START_MOVED_MM and away[1] < TIP_MOVED_MM
    return bool(near and abs(laid.region.slope) < HELD_SLOPE)


def _moved(region: BladeRegion, ends: Array) -> BladeRegion:
    """The region with its mid-line between other ends."""
    return replace(region, start_mm=float(ends[0, 0]), tip_mm=float(ends[1, 0]), middle_mm=float(ends[1, 1]))


def _between_pointed(ends: Array, lie: Lie, camera: Camera, pointed: Pointed) -> Array:
    """The mid-line's two ends (2, 2) in (s, v), each moved along it to the station that was pointed at."""
    way = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])

    def moved(end: Array, point: Point | None) -> Array:
        if point is None:
            return end
        at = lie.from_px(np.array([point]), camera)[0]
        return np.asarray(end + way * float((at - end) @ way))

    tip = moved(ends[1], pointed.tip_px)
    start = moved(ends[0], pointed.stop_px)
    return np.stack([ends[0] if _is_at_tip(float(start @ way), float(tip @ way)) else start, tip])


def _is_at_tip(stop_mm: float, tip_mm: float) -> bool:
    """Whether a stop that was pointed at is the tip."""
    return stop_mm > tip_mm - AT_TIP_MM


def _on_face(point: Point | None, lie: Lie, camera: Camera, u_px: float) -> FacePoint | None:
    """A point of the photo on the upper face; ``u_px`` is that of each coordinate."""
    if point is None:
        return None
    near = np.array(point) + np.array([[0.0, 0.0], [u_px, 0.0], [0.0, u_px]])
    at = lie.from_px(near, camera)
    return FacePoint(float(at[0, 0]), float(at[0, 1]), float(np.hypot(*(at[1:, 0] - at[0, 0]))))


def _alone(at: FacePoint) -> EdgePoints:
    """A tip of which one point is known."""
    return EdgePoints(np.array([at.s_mm]), np.array([at.v_mm]), np.array([at.u_mm]))


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
        return None if old is None else replace(old, s_mm=float(again(np.array([[old.s_mm, v_mm]]))[0, 0]))

    def face_point(old: FacePoint | None) -> FacePoint | None:
        if old is None:
            return None
        s_mm, v_mm = again(np.array([[old.s_mm, old.v_mm]]))[0]
        return FacePoint(float(s_mm), float(v_mm), old.u_mm)

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
        shoulder_at=face_point(outline.shoulder_at),
        tip_at=face_point(outline.tip_at),
    )


def _edge_points(
    strip: Strip, regions: Regions, sign: int, side: Side, rim: Rim, blur_mm: float, camera: Camera
) -> EdgePoints:
    """Refine a side's rim, along a line where it is straight, else along its path; and how well it is located."""
    s_mm = side.at_mm[rim.column]
    place, gradient = refine(side, rim)
    slope, u = rim.move / STRIDE, _located_u_mm(side, rim, gradient)
    line = _straight_edge(strip, sign, side, rim, camera)
    foot_seen = np.zeros(len(s_mm), bool)
    if line is not None:
        straight = stands_for(line, side, rim, u)
        on_line = line.at(s_mm), np.zeros(len(s_mm)), np.full(len(s_mm), EDGE_U_MM)
        place, slope, u = np.where(straight, on_line, (place, slope, u))
        foot_seen = straight & line.foot_seen
    steep = np.hypot(1.0, slope)
    wall = strip.lie.wall(np.column_stack([s_mm, sign * place]), camera)
    bloom = bloom_mm(strip, s_mm, sign * place, (0.0, -float(sign)), blur_mm) * steep
    apart = (sign * wall[:, 1] - slope * wall[:, 0]) / steep * strip.lie.thickness_mm
    shown = _wall_share(strip, regions, s_mm, sign * place, wall)
    unshown = np.where(foot_seen, 0.0, UNSHOWN_PART * np.maximum(1 - shown / SHOWN_SHARE, 0))
    either = np.where(apart > 0, np.where(apart < MERGED_MM, MERGED_PART, unshown) * apart, 0.0)
    return EdgePoints(s_mm, sign * (place - bloom), np.hypot(u, either * steep))


def _straight_edge(strip: Strip, sign: int, side: Side, rim: Rim, camera: Camera) -> StraightEdge | None:
    """The line of an uncut edge; None for an edge that is cut."""
    middle = np.array([[float(side.at_mm.mean()), sign * float(np.median(rim.out_mm))]])
    foot = sign * float(strip.lie.wall(middle, camera)[0, 1]) * strip.lie.thickness_mm
    line = find_straight_edge(side, foot)
    return line if line is not None and is_followed(line, side, rim) else None


def _located_u_mm(side: Side, rim: Rim, gradient: Array) -> Array:
    """Standard uncertainty of each point of a path along its row."""
    noise = NOISE_U_MM / np.maximum(gradient, WEAK_GRADIENT)
    u = np.sqrt(EDGE_U_MM**2 + noise**2 + _astray_mm(side, rim) ** 2)
    return np.where(gradient < WEAK_GRADIENT, np.inf, u * np.hypot(1.0, rim.move / STRIDE))


def _wall_share(strip: Strip, regions: Regions, s_mm: Array, v_mm: Array, wall: Array) -> Array:
    """How much wall the regions show between each rim and its foot, 0 to 1; ``wall`` leads there, per mm of thickness.

    A wall in the face's own shade is easily taken for face, and the foot for the rim: then no wall is left beyond it.
    """
    way = strip.lie.thickness_mm * wall
    looks = [strip.sampled(regions.wall, s_mm + part * way[:, 0], v_mm + part * way[:, 1]) for part in WALL_PARTS]
    return np.asarray(np.mean(looks, axis=0))


def _astray_mm(side: Side, rim: Rim) -> Array:
    """Standard uncertainty of each point for following another edge, where the regions are undecided."""
    return UNDECIDED_PART * np.maximum(undecided_mm(side, rim) - DECIDED_MM, 0.0)


def _bloom_u_mm(strip: Strip, edges: tuple[EdgePoints, EdgePoints], blur_mm: float) -> float:
    """Standard uncertainty of the bloom taken off the edges."""
    means = [
        float(np.mean(bloom_mm(strip, edge.s_mm, edge.v_mm, (0.0, inward), blur_mm)))
        for edge, inward in zip(edges, (-1.0, 1.0), strict=True)
    ]
    return BLOOM_U_PART * max(means)


def _found_tip(strip: Strip, regions: Regions, blur_mm: float) -> EdgePoints:
    """The tip's rim, v ascending."""
    side = look_past_tip(strip, regions)
    rim = follow(side)
    place, gradient = refine(side, rim)
    across = side.at_mm[rim.column]
    place = place - bloom_mm(strip, place, across, (-1.0, 0.0), blur_mm)
    return EdgePoints(place[::-1], across[::-1], _located_u_mm(side, rim, gradient)[::-1])


def _step(
    strip: Strip, regions: Regions, region: BladeRegion, sign: int, blur_mm: float, camera: Camera
) -> Step | None:
    """The step on the side ``sign``: beside the lands, or, where cuts took these, beside where the blade begins."""
    lands = sign * region.middle_mm + region.width_mm / 2
    step = _step_beside(lands, strip, regions, region, sign, blur_mm, camera)
    if step is not None:
        return step
    at_start = level_at_start(strip, regions, region, sign)
    if at_start <= lands + LANDS_GONE_MM:
        return None
    return _step_beside(at_start, strip, regions, region, sign, blur_mm, camera)


def _step_beside(
    level_mm: float, strip: Strip, regions: Regions, region: BladeRegion, sign: int, blur_mm: float, camera: Camera
) -> Step | None:
    """The step beside an edge that lies so far out on the side ``sign``."""
    beside = np.array([sign * (level_mm + STEP_LOOK_MM)])
    wall = strip.lie.wall(np.array([[region.start_mm, beside[0]]]), camera)[0] * strip.lie.thickness_mm
    step = find_step(strip, regions, sign, level_mm, region.start_mm, float(wall[0]))
    if step is None:
        return None
    bloom = bloom_mm(strip, np.array([step.s_mm]), beside, (-1.0, 0.0), blur_mm)[0]
    return replace(step, s_mm=step.s_mm - float(bloom))
