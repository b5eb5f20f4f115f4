"""Whether a fitted figure looks like a card: its sides are seen, meet in round corners, and end there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyid.scales import card, card_edges, card_fit
from keyid.scales.camera import Camera
from keyid.scales.card_edges import ARC_SHARE, ARC_STATIONS
from keyid.scales.card_fit import Fit
from keyid.scales.card_measure import BLUR_PX, MIN_SLOPE, SHIFT_MM, join_px

Array = NDArray[np.float64]

NEAR_PX = 2.0  # a station this near to the fitted rim counts as seen
CORNER_REACH_PX = 6.0  # radii within the limits move an arc by up to 3 px
MIN_SEEN = 0.7  # of each of the three best sides: of 201 cards found, 200 show more
MAX_COST = 20.0  # 201 cards in rendered photos fit with 18 or less; a business card, 85 x 55 mm, with 22
WELL_SEEN = 0.9  # of all sides: then two round corners are enough, else three: a finger or a key hides one
MAX_ASIDE_MM = 0.25  # cards in the rendered photos have up to 0.2, figures with a shadow's border as a side 0.3
MAX_OVERRUNS = 1  # of eight ends, if all four corners are seen: a key or a ruled line may lie in the line of a side
MAX_OVERRUNS_WHOLE = 4  # where the outline shows well: print may run along a side and cross the lines of others
WELL_OUTLINED = 0.92  # cards whose sides run on show 0.93 to 0.98, other figures with four round corners up to 0.91
MIN_SIDE_SEEN = 0.2  # three sides alone fit a card of any size: then its four corners must be seen
ARC_INSIDE_MM, ARC_OUTSIDE_MM, ARC_STEP_MM = 0.8, 2.2, 0.04
ARC_SLACK_MM = 0.45  # radii of 2.88 to 3.48 mm move the middle by 0.12 mm; bevel and shadow by the rest
SHARP_MM = (np.sqrt(2) - 1) * card.RADIUS_MM
PAST_MM = (3.0, 8.0)  # past the corner; a grid's cell is 5 mm or more
PAST_STATIONS = 24
PAST_REACH_MM, PAST_ROOM_MM = 0.3, 1.2
PAST_SHARE = 0.5  # of the side's own edge


def is_card(pixels: NDArray[np.uint8], found: Fit) -> bool:
    """Whether a card's sides are seen along most of their length, fit its size, and meet in round corners."""
    if not is_seen(found) or _aside_mm(found) >= MAX_ASIDE_MM:
        return False
    share = shares(found)
    round_ones, sharp_ones = round_corners(pixels, found)
    beyond = overruns(pixels, found)
    needed = 4 if share.min() < MIN_SIDE_SEEN or beyond > 0 else 2 if share.mean() > WELL_SEEN else 3
    if round_ones < needed or sharp_ones > 0:
        return False
    if beyond <= MAX_OVERRUNS:
        return True
    return beyond <= MAX_OVERRUNS_WHOLE and _outlined(pixels, found) > WELL_OUTLINED


def is_seen(found: Fit) -> bool:
    """Whether the sides are seen along most of their length and fit a card's size."""
    return bool(np.sort(shares(found))[1] > MIN_SEEN and found.cost < MAX_COST)


def shares(found: Fit) -> Array:
    """Share of each side that is seen, shape (4,)."""
    near = np.abs(found.residual_px) < NEAR_PX
    return np.asarray(np.bincount(found.points.side, near, 4) / card_edges.STATIONS)


def _aside_mm(found: Fit) -> float:
    """How far, at most, a side's edge must lie from where a rim shows for the card to fit."""
    px_per_mm = found.shifts.px / SHIFT_MM
    return float(np.abs((found.values[card_fit.SHIFT] - found.shifts.px) / px_per_mm).max())


def _outlined(pixels: NDArray[np.uint8], found: Fit) -> float:
    """Share of the outline that is seen, sides and corners counted alike."""
    return float(np.mean([*shares(found), *corner_shares(pixels, found)]))


def corner_shares(pixels: NDArray[np.uint8], found: Fit) -> Array:
    """Share of each corner's arc that is seen where the fit has it, shape (4,)."""
    reach, join = CORNER_REACH_PX, join_px(found.camera)
    profiles = card_edges.sample(pixels, found.camera, reach, BLUR_PX, join)
    _, height = card_edges.peak_near(profiles, np.zeros(len(profiles.side)), NEAR_PX)
    of_side = np.array([np.median(height[profiles.side == k]) for k in range(4)])
    corners = card_edges.sample_corners(pixels, found.camera, reach, BLUR_PX, join)
    weaker, there = np.minimum(of_side, np.roll(of_side, 1)), np.zeros(1)
    gaps = [card_edges.arc_gaps(k, corners, weaker[k : k + 1], there, there)[0] for k in range(4)]
    return 1 - np.array(gaps) / ARC_STATIONS


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
