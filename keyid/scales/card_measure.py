"""Measure a proposed card: pose the camera on the shrunk photo, then on the photo itself.

On the photo each side may show several edges.  Which of them is which rim is decided for the four sides together: by
their looks, and by how well a card of the known size fits.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from keyid.scales import card, card_edges, card_fit, card_search
from keyid.scales.camera import Camera
from keyid.scales.card_edges import STATIONS, Profiles, Ridge, SideEdges
from keyid.scales.card_fit import EdgePoints, Fit, Shifts
from keyid.scales.card_search import Proposal
from keyid.scales.lens import Lens

Array = NDArray[np.float64]

COARSE_REACH_PX = (7.0, 5.0, 3.0)  # of the shrunk photo; bent sides are up to 6 px off a straight proposal
BLUR_PX = 1.0  # along the normal, as fine as the sampling allows
FINE_REACH_MM = (0.7, 0.4)  # a pixel of the shrunk photo is 0.15 to 0.4 mm
INWARD_MM = 0.7  # the rim may be a weaker edge that far inside its shadow's border
MIN_SLOPE = 0.8  # grey levels per pixel: weaker edges aren't told from noise
EDGE_U_PX = 0.2  # scatter of stations along a side
SHIFT_MM = -0.025  # a rim is rounded: its edge appears that far inside
SHIFT_U_MM = 0.03  # blur, sharpening and shade move an edge by about that
TWIST_U_MM = 0.01  # and by that much differently at the two ends of a side
JOIN_MM = 0.06  # the flanks of a rounded rim count as one edge
JOIN_PX = 0.8
POLISH_ROUNDS = 3
TOGETHER = 2.0  # neighbouring stations err together: four of them count as one
FREE_FOCAL_U = 0.2  # a focal length less known than that starts where the proposal is most like a card
MIN_SIDES = 3  # a card's pose follows from three sides when the lens is known
MIN_STATIONS = 5  # of a side that counts as seen: a fifth of it
MAX_CHOICES = 5  # ways to read one side that are weighed: 625 for four sides
ARC_STATIONS = 30  # on each corner; the middle third is used, where round and sharp differ most
ARC_INSIDE_MM, ARC_OUTSIDE_MM, ARC_STEP_MM = 0.8, 2.2, 0.04
ARC_SLACK_MM = 0.45  # radii of 2.88 to 3.48 mm move the middle by 0.12 mm; bevel and shadow by the rest
ARC_SHARE = 0.35  # of the weaker neighbouring side: an edge at a corner that is weaker is none
SHARP_MM = (np.sqrt(2) - 1) * card.RADIUS_MM
PAST_MM = (3.0, 8.0)  # past the corner; a grid's cell is 5 mm or more
PAST_STATIONS = 24
PAST_REACH_MM, PAST_ROOM_MM = 0.3, 1.2
PAST_SHARE = 0.5  # of the side's own edge
OTHER_COST = 2.0  # against an edge that doesn't look like the rim (log odds)
LOW_COST = 0.7  # even odds for either rim of a wall that shows
LOW_AGAINST = 3.0  # when both rims show, the outer one isn't the upper
MIN_WALL_PX = 0.8  # of a wall that shows less the rims aren't told apart
WALL_MATCH = 0.4  # two edges as far apart as the wall is wide, give or take that share, are its rims


@dataclass(frozen=True)
class Choice:
    """One way to read a side's edges.

    Attributes
    ----------
    ridge : Ridge
        The edge taken for a rim.
    low : bool
        Whether it is taken for the lower rim.
    edge_px : float
        Where that rim is, from the side's line.
    rim_px : float
        Where the top rim then is.
    cost : float
        Log odds against it by its looks.
    """

    ridge: Ridge
    low: bool
    edge_px: float
    rim_px: float
    cost: float


def measure(pixels: NDArray[np.uint8], small: NDArray[np.uint8], proposal: Proposal, lens: Lens) -> Fit | None:
    """Fit the camera to the card's rims.

    Parameters
    ----------
    pixels, small : ndarray of uint8
        The photo, and shrunk.
    proposal : Proposal
        In pixels of the shrunk photo.
    lens : Lens
        In pixels of the photo.

    Returns
    -------
    Fit or None
        None when fewer than three sides show an edge.
    """
    factor = small.shape[1] / pixels.shape[1]
    coarse = lens.resized(factor)
    free = lens.focal_log_u > FREE_FOCAL_U
    focal_px = proposal.focal_px if free else coarse.focal_px
    camera = card_search.pose(proposal.homography, focal_px, coarse.centre_px)
    for reach in COARSE_REACH_PX:
        found = _strongest(small, camera, coarse, reach)
        if found is None:
            return None
        camera = found.camera
    camera = card_fit.resized_camera(camera, 1 / factor)
    for reach_mm in FINE_REACH_MM:
        found = _rims(pixels, camera, lens, reach_mm)
        if found is None:
            return None
        camera = found.camera
    return found


def _strongest(pixels: NDArray[np.uint8], camera: Camera, lens: Lens, reach_px: float) -> Fit | None:
    """Fit to the strongest edge of each station, whatever it is."""
    profiles = card_edges.sample(pixels, camera, reach_px + 1, BLUR_PX, JOIN_PX)
    offset, height = card_edges.peak_near(profiles, np.zeros(len(profiles.side)), reach_px)
    keep = height > MIN_SLOPE
    if np.sum(np.bincount(profiles.side[keep], minlength=4) >= MIN_STATIONS) < MIN_SIDES:
        return None
    points = _points(profiles, offset, keep, np.zeros(len(keep), bool), np.full(len(keep), EDGE_U_PX))
    return card_fit.fit(points, camera, lens, Shifts(np.zeros(4), np.full(4, EDGE_U_PX), np.full(4, EDGE_U_PX)))


def _points(
    profiles: Profiles, offset: Array, keep: NDArray[np.bool_], low: NDArray[np.bool_], u_px: Array
) -> EdgePoints:
    """Edge points at an offset of each station that is kept."""
    place = (profiles.base_px + offset[:, None] * profiles.normal_px)[keep]
    return EdgePoints(
        profiles.side[keep], profiles.along_mm[keep], low[keep], place, profiles.normal_px[keep], u_px[keep]
    )


def _rims(pixels: NDArray[np.uint8], camera: Camera, lens: Lens, reach_mm: float) -> Fit | None:
    """Tell the edges of all sides apart and fit to the rims."""
    px_per_mm = camera.focal_px / camera.translation_mm[2]
    reach, inward = reach_mm * px_per_mm, INWARD_MM * px_per_mm
    join = max(JOIN_MM * px_per_mm, JOIN_PX)
    profiles = card_edges.sample(pixels, camera, reach + inward, BLUR_PX, join)
    sides = card_edges.side_edges(profiles, reach, inward)
    if sum(len(side.ridges) > 0 for side in sides) < MIN_SIDES:
        return None
    sharp = min(ridge.width_px for side in sides for ridge in side.ridges)
    choices = [_choices(side, sharp) for side in sides]
    line = np.concatenate([side.line_px for side in sides])
    first = [ways[0] for ways in choices]
    alike = np.full(4, EDGE_U_PX)
    centre = line + _per_station([c.ridge.peak_px for c in first])
    found = _fit_near(profiles, sides, first, centre, np.zeros(4), alike, camera, lens)
    if found is None:
        return None
    chosen, spread = _decide(found, choices)
    centre, scatter = line + _per_station([c.ridge.peak_px for c in chosen]), alike
    for _ in range(POLISH_ROUNDS):
        found = _fit_near(profiles, sides, chosen, centre, spread, scatter, camera, lens)
        if found is None:
            return None
        centre, scatter = _expected(profiles, found, chosen), _scatter(found)
    return found


def _scatter(found: Fit) -> Array:
    """Standard uncertainty of a station's edge on each side, from how the stations scatter about a fit."""
    squares = np.bincount(found.points.side, found.residual_px**2, 4)
    count = np.maximum(np.bincount(found.points.side, minlength=4), 1)
    return np.maximum(EDGE_U_PX, TOGETHER * np.sqrt(squares / count))


def _per_station(of_side: list[float]) -> Array:
    """A value of each side for each of its stations."""
    return np.repeat(np.array(of_side, dtype=float), STATIONS)


def _expected(profiles: Profiles, found: Fit, chosen: list[Choice]) -> Array:
    """Where a fit expects each station's edge."""
    rim = card.side_points_mm(profiles.side, profiles.along_mm)
    rim[np.repeat([choice.low for choice in chosen], STATIONS), 2] = 0.0
    away = found.camera.project(rim) - profiles.base_px
    shift = found.values[card_fit.SHIFT][profiles.side] + _per_station([c.ridge.peak_px - c.edge_px for c in chosen])
    return np.asarray(np.sum(away * profiles.normal_px, axis=1) + shift)


def _choices(side: SideEdges, sharp_px: float) -> list[Choice]:
    """The ways to read a side, the likeliest by its looks first."""
    if not side.ridges:
        hidden = card_edges.Ridge(0.0, 0.0, sharp_px, np.inf)
        return [Choice(hidden, False, 0.0, 0.0, 0.0)]
    ways = []
    shows = side.wall_px > MIN_WALL_PX
    for k, ridge in enumerate(side.ridges):
        cost = OTHER_COST * min(k, 1)
        at = ridge.rim_px(sharp_px)
        ways.append(Choice(ridge, False, at, at, cost + (LOW_COST if shows else 0.0)))
        if shows:
            inner = [ridge.peak_px - other.peak_px for other in side.ridges[:k]]
            both = any(abs(apart / side.wall_px - 1) < WALL_MATCH for apart in inner)
            cost = LOW_AGAINST if both else LOW_COST + (OTHER_COST if k > 1 else 0.0)
            ways.append(Choice(ridge, True, at, at - side.wall_px, cost))
    return [ways[0], *sorted(ways[1:], key=lambda way: way.cost)[: MAX_CHOICES - 1]]


def _decide(first: Fit, choices: list[list[Choice]]) -> tuple[list[Choice], Array]:
    """The likeliest way to read all sides together, and how uncertain each side's rim stays, in pixels.

    ``first`` is the fit to each side's first choice; how its cost changes with the sides' places is known from it.
    """
    ways = list(product(*choices))
    rim = np.array([[choice.rim_px for choice in way] for way in ways])
    moved = rim - rim[0]
    fit_cost = moved @ first.pull + 0.5 * np.einsum("ij,jk,ik->i", moved, first.stiffness, moved)
    cost = fit_cost + np.array([sum(choice.cost for choice in way) for way in ways])
    best = int(np.argmin(cost))
    weight = np.exp(cost[best] - cost)
    weight /= weight.sum()
    return list(ways[best]), np.sqrt(weight @ (rim - rim[best]) ** 2)


def _fit_near(
    profiles: Profiles,
    sides: tuple[SideEdges, ...],
    chosen: list[Choice],
    centre: Array,
    spread: Array,
    scatter: Array,
    camera: Camera,
    lens: Lens,
) -> Fit | None:
    """Fit to the edges nearest to a centre, read as chosen; None when fewer than three sides are seen."""
    edge, seen = card_edges.follow(profiles, centre, tuple(choice.ridge for choice in chosen))
    if np.sum(np.bincount(profiles.side[seen], minlength=4) >= MIN_STATIONS) < MIN_SIDES:
        return None
    offset = edge + _per_station([choice.edge_px - choice.ridge.peak_px for choice in chosen])
    low = np.repeat([choice.low for choice in chosen], STATIONS)
    density = np.array([side.px_per_mm for side in sides])
    own = np.array([choice.ridge.peak_px - choice.edge_px for choice in chosen]) / 2
    shifts = shifts_of(density, scatter, np.hypot(own, spread))
    return card_fit.fit(_points(profiles, offset, seen, low, scatter[profiles.side]), camera, lens, shifts)


def shifts_of(density: Array, scatter_px: Array, unsure_px: Array | float = 0.0) -> Shifts:
    """What is known of where each side's edge appears.

    Parameters
    ----------
    density : ndarray, shape (4,)
        Pixels per mm across each side.
    scatter_px : ndarray, shape (4,)
        Standard uncertainty of a station's edge on each side.
    unsure_px : ndarray, shape (4,)
        How uncertain it stays which of several edges the rim is.
    """
    u = np.sqrt((SHIFT_U_MM * density) ** 2 + unsure_px**2 + scatter_px**2)
    return Shifts(SHIFT_MM * density, u, np.hypot(TWIST_U_MM * density, scatter_px / 2))


def overruns(pixels: NDArray[np.uint8], found: Fit) -> int:
    """At how many of their eight ends the sides' edges run on past the corner, as a grid's or a chessboard's do."""
    count = 0
    for side in range(4):
        half = card.straight_mm(side) + card.RADIUS_MM
        inside = _edge_along(pixels, found.camera, side, np.linspace(-0.8, 0.8, PAST_STATIONS) * half)
        for end in (-1, 1):
            past = end * (half + np.linspace(*PAST_MM, PAST_STATIONS))
            count += _edge_along(pixels, found.camera, side, past) > PAST_SHARE * inside
    return count


def _edge_along(pixels: NDArray[np.uint8], camera: Camera, side: int, along_mm: Array) -> float:
    """Height of the edge on a side's line over its surroundings, mean of the given places."""
    rim = card.side_points_mm(np.full(len(along_mm), side), along_mm)
    outward = np.array([*card.SIDE_NORMALS[side], 0.0])
    reach = np.arange(-PAST_ROOM_MM, PAST_ROOM_MM, ARC_STEP_MM)
    slopes = card_edges.slopes_between(pixels, camera.project(rim), camera.project(rim + outward), reach)
    height = slopes.mean(axis=0)
    return float(height[np.abs(reach) < PAST_REACH_MM].max() - np.median(height))


def round_corners(pixels: NDArray[np.uint8], found: Fit) -> tuple[int, int]:
    """How many of the corners are seen to be round as a card's, and how many to be sharp.

    The outline of a round corner lies 1.3 mm inside that of a sharp one, halfway between the sides.
    """
    arcs, normals = card.arc_points_mm(ARC_STATIONS)
    middle = slice(ARC_STATIONS // 3, -(ARC_STATIONS // 3))
    base_mm, outward = arcs[:, middle].reshape(-1, 3), normals[:, middle].reshape(-1, 2)
    tip_mm = base_mm + np.column_stack([outward, np.zeros(len(outward))])
    base, tip = found.camera.project(base_mm), found.camera.project(tip_mm)
    reach = np.arange(-ARC_INSIDE_MM, ARC_OUTSIDE_MM, ARC_STEP_MM)
    height = card_edges.slopes_between(pixels, base, tip, reach).reshape(4, -1, len(reach)).mean(axis=1)
    height = height - np.median(height, axis=1, keepdims=True)
    middle_mm = np.linspace(-0.8, 0.8, PAST_STATIONS)
    of_side = np.array([_edge_along(pixels, found.camera, k, middle_mm * card.straight_mm(k)) for k in range(4)])
    clear = np.maximum(ARC_SHARE * np.minimum(of_side, np.roll(of_side, 1)), MIN_SLOPE)
    is_round = height[:, np.abs(reach) < ARC_SLACK_MM].max(axis=1) > clear
    is_sharp = height[:, np.abs(reach - SHARP_MM) < ARC_SLACK_MM].max(axis=1) > clear
    return int(is_round.sum()), int((is_sharp & ~is_round).sum())
