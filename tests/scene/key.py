"""A key as a solid: the plan of its blade and head, their thickness, and how it lies on the table.

Key frame, in mm: x along the blade toward the tip, zero at the shoulder (for a tip stop at the bow end of the visible
blade); y across, from the uncut line of edge b (y = 0) to that of edge a (y = width); z through the blade's thickness,
from face b (z = 0) to face a.  All numbers of a key are invented for the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Edge = Literal["a", "b"]

WEAR_STEP_MM = 0.02  # sampling of a worn edge; a peak's rounding is far coarser
WEAR_TRIM_MM = 0.0005  # a worn edge is thinned to the fewest points that stay this close to it
HEAD_ROUNDING_MM = 2.5  # a plastic head's underside is rounded: it stands this far behind its front
INSIDE_HEAD_MM = 1.0  # the blade's plan goes on this far inside the head, so that no gap shows
SAME_MM = 1e-9  # lengths and slopes that differ by less are the same


@dataclass(frozen=True)
class CutSpec:
    """One cut of a key: the edge it is on, its root's centre from the stop, its root height."""

    edge: Edge
    position_mm: float
    root_mm: float


@dataclass(frozen=True)
class KeySpec:
    """What is needed to make a key.

    Attributes
    ----------
    stop : str
        "shoulder" or "tip".
    length_mm, width_mm, thickness_mm : float
        Of the blade; the length is from x = 0 to the tip.
    cuts : tuple of CutSpec
        Roots as made; edge "b" is measured from edge a's uncut line.
    flat_mm, angle_deg : float
        Length of a root's flat and the included angle of its flanks.
    step_a_mm, step_b_mm : float
        How far the collar stands out at the shoulder, on each edge.
    collar_mm : float
        From the shoulder to the head's front.
    tip : str
        "flat", "pointed" or "rounded".
    tip_reach_mm : float
        Length of the tip's narrowing.
    wear_radius_mm : float
        Peaks are rounded to this radius (a morphological opening: wear only removes metal and spares the roots).
    head : str
        "metal" or "plastic".
    head_thickness_mm, head_length_mm, head_width_mm, head_corner_mm, hole_mm : float
        Of the head, its plan being a rounded rectangle with a round hole (0: none).
    grooves_mm : tuple of (near, far)
        Grooves of the face turned up, in y of the key frame; lines of another brightness only, the rims stay whole.

    Raises
    ------
    ValueError
        When a cut's flat is cut away by a neighbour's flank or the tip.
    """

    stop: Literal["shoulder", "tip"] = "shoulder"
    length_mm: float = 28.0
    width_mm: float = 8.0
    thickness_mm: float = 2.0
    cuts: tuple[CutSpec, ...] = ()
    flat_mm: float = 1.0
    angle_deg: float = 90.0
    step_a_mm: float = 1.6
    step_b_mm: float = 0.0
    collar_mm: float = 4.5
    tip: Literal["flat", "pointed", "rounded"] = "pointed"
    tip_reach_mm: float = 3.0
    wear_radius_mm: float = 0.0
    head: Literal["metal", "plastic"] = "metal"
    head_thickness_mm: float = 2.0
    head_length_mm: float = 26.0
    head_width_mm: float = 24.0
    head_corner_mm: float = 8.0
    hole_mm: float = 5.0
    grooves_mm: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        ends = np.array([-self.flat_mm / 2, self.flat_mm / 2])
        for cut in self.cuts:
            found = np.interp(float(self.x_of(cut.position_mm)) + ends, *_unworn_heights(self, cut.edge))
            if not np.all(np.abs(found - cut.root_mm) < SAME_MM):
                raise ValueError(f"{cut} has no flat of its own: the blade's heights there are {found}")

    @property
    def edges(self) -> Literal[1, 2] | None:
        """How many edges are cut; None for an uncut blade."""
        cut = {cut.edge for cut in self.cuts}
        return None if not cut else (2 if len(cut) == 2 else 1)

    def x_of(self, position_mm: float | Array) -> float | Array:
        """Key-frame x of a position counted from the stop (and back: it is its own inverse for a tip stop)."""
        return position_mm if self.stop == "shoulder" else self.length_mm - position_mm

    def height_mm(self, edge: Edge, x_mm: Array) -> Array:
        """Exact height of an edge over the opposite edge's uncut line at key-frame x, before the shoulder's collar."""
        knots, heights = edge_heights(self, edge)
        return np.asarray(np.interp(x_mm, knots, heights, left=np.nan, right=np.nan))


@dataclass(frozen=True)
class Prism:
    """A plan polygon (counter-clockwise in x, y of the key frame) extruded from z_low_mm to z_high_mm."""

    plan_mm: Array
    z_low_mm: float
    z_high_mm: float


@dataclass(frozen=True)
class KeyPose:
    """How a key lies: X_world = rotation @ X_key + translation_mm; ``face_up`` is the face that looks up."""

    rotation: Array
    translation_mm: Array
    face_up: Literal["a", "b"]

    def to_world(self, points_mm: Array) -> Array:
        """Key-frame points (..., 3) in the world frame."""
        return np.asarray(points_mm @ self.rotation.T + self.translation_mm)


def edge_heights(key: KeySpec, edge: Edge) -> tuple[Array, Array]:
    """Knots and heights of one edge from x = 0 to the tip, exact between the knots (straight pieces).

    The edge is the lowest of the tip's limit and of every cut's trapezoid, then rounded where it is worn.
    """
    knots, heights = _unworn_heights(key, edge)
    return (knots, heights) if key.wear_radius_mm == 0 else _worn(knots, heights, key.wear_radius_mm)


def blade_plan(key: KeySpec) -> Array:
    """Plan polygon of blade, shoulder and collar, shape (n, 2), counter-clockwise."""
    x_a, top = edge_heights(key, "a")
    x_b, depth = edge_heights(key, "b")
    back = -key.collar_mm - INSIDE_HEAD_MM
    high, low = key.width_mm + key.step_a_mm, -key.step_b_mm
    collar = np.array([[0.0, high], [back, high], [back, low], [0.0, low]])
    lower = np.column_stack([x_b, key.width_mm - depth])
    upper = np.column_stack([x_a, top])[::-1]
    return _corners(np.vstack([lower, upper, collar]))


def blade_prism(key: KeySpec) -> Prism:
    """The blade with its collar."""
    return Prism(blade_plan(key), 0.0, key.thickness_mm)


def head_prism(key: KeySpec) -> Prism:
    """The head, its mid-plane in the blade's."""
    centre = np.array([-key.collar_mm - key.head_length_mm / 2, key.width_mm / 2])
    plan = rounded_rectangle(key.head_length_mm, key.head_width_mm, key.head_corner_mm) + centre
    middle = key.thickness_mm / 2
    return Prism(plan, middle - key.head_thickness_mm / 2, middle + key.head_thickness_mm / 2)


def hole_plan(key: KeySpec) -> Array:
    """The ring hole's polygon near the head's far end, shape (n, 2); empty when there is none."""
    if key.hole_mm == 0:
        return np.empty((0, 2))
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    centre = [-key.collar_mm - key.head_length_mm + key.hole_mm / 2 + 3.0, key.width_mm / 2]
    return np.asarray(centre + key.hole_mm / 2 * np.column_stack([np.cos(turn), np.sin(turn)]))


def rounded_rectangle(length_mm: float, width_mm: float, radius_mm: float) -> Array:
    """Counter-clockwise polygon around the origin, 16 points to a corner."""
    turn = np.linspace(0, np.pi / 2, 16)
    arc = radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    inner = np.array([length_mm / 2 - radius_mm, width_mm / 2 - radius_mm])
    first = arc + inner
    second = (arc * [-1, 1])[::-1] + inner * [-1, 1]
    return np.vstack([first, second, -first, -second])


def lay_down(key: KeySpec, at_mm: tuple[float, float], yaw_deg: float, face_up: Literal["a", "b"] = "a") -> KeyPose:
    """Lay the key on the table with the middle of its blade over ``at_mm`` and the tip in direction ``yaw_deg``.

    A metal head lifts the blade by half of what it is thicker; a plastic head stands on its front underside and the
    blade slopes down until the tip touches the table.
    """
    pitch = pitch_rad(key) if key.head == "plastic" else 0.0
    flip = np.diag([1.0, 1.0, 1.0]) if face_up == "a" else np.diag([1.0, -1.0, -1.0])
    rotation = _turn_z(np.radians(yaw_deg)) @ _turn_y(pitch) @ flip
    middle = rotation @ [key.length_mm / 2, key.width_mm / 2, key.thickness_mm / 2]
    lowest = float((_underside(key, face_up) @ rotation.T)[:, 2].min())
    return KeyPose(rotation, np.array([at_mm[0] - middle[0], at_mm[1] - middle[1], -lowest]), face_up)


def pitch_rad(key: KeySpec) -> float:
    """Slope of the blade when the tip and the head's underside both touch the table."""
    drop = (key.head_thickness_mm - key.thickness_mm) / 2
    return float(np.arctan2(drop, key.length_mm + key.collar_mm + HEAD_ROUNDING_MM))


def _underside(key: KeySpec, face_up: str) -> Array:
    """Key-frame points that can touch the table: the tip's and the head's."""
    head = head_prism(key)
    down = (0.0, head.z_low_mm) if face_up == "a" else (key.thickness_mm, head.z_high_mm)
    stand = -key.collar_mm - HEAD_ROUNDING_MM
    return np.array([[key.length_mm, 0.0, down[0]], [stand, 0.0, down[1]]])


def _tip_limit(key: KeySpec) -> tuple[Array, Array]:
    """Greatest height that the tip's shape leaves, the same for both edges."""
    start, half = key.length_mm - key.tip_reach_mm, key.width_mm / 2
    if key.tip == "rounded":
        turn = np.linspace(0, np.pi / 2, 24)
        return start + key.tip_reach_mm * np.sin(turn), half + half * np.cos(turn)
    front = half + (0.6 if key.tip == "pointed" else half - 1.2)
    return np.array([0.0, start, key.length_mm]), np.array([key.width_mm, key.width_mm, front])


def _unworn_heights(key: KeySpec, edge: Edge) -> tuple[Array, Array]:
    """The edge as it was cut."""
    pieces = [_tip_limit(key), *(_trapezoid(key, cut) for cut in key.cuts if cut.edge == edge)]
    return _lowest(pieces, key.length_mm)


def _trapezoid(key: KeySpec, cut: CutSpec) -> tuple[Array, Array]:
    """A cut's flat and flanks, as knots and heights."""
    run = (key.width_mm - cut.root_mm) * np.tan(np.radians(key.angle_deg / 2))
    x = float(key.x_of(cut.position_mm))
    reach = np.array([-key.flat_mm / 2 - run, -key.flat_mm / 2, key.flat_mm / 2, key.flat_mm / 2 + run])
    return x + reach, np.array([key.width_mm, cut.root_mm, cut.root_mm, key.width_mm])


def _lowest(pieces: list[tuple[Array, Array]], length_mm: float) -> tuple[Array, Array]:
    """Exact lower envelope of piecewise straight functions on [0, length]."""
    knots = np.unique(np.concatenate([[0.0, length_mm], *(x for x, _ in pieces)]))
    knots = knots[(knots >= 0) & (knots <= length_mm)]
    knots = np.unique(np.concatenate([knots, _crossings(pieces, knots)]))
    heights = _values(pieces, knots).min(axis=0)
    bend = np.abs(np.diff(np.diff(heights) / np.diff(knots))) > SAME_MM
    keep = np.concatenate([[True], bend, [True]])
    return knots[keep], heights[keep]


def _values(pieces: list[tuple[Array, Array]], x: Array) -> Array:
    return np.array([np.interp(x, knots, heights) for knots, heights in pieces])


def _crossings(pieces: list[tuple[Array, Array]], knots: Array) -> Array:
    """Where two of the functions cross between neighbouring knots."""
    values = _values(pieces, knots)
    gap = values[:, None] - values[None, :]
    start, end = gap[..., :-1], gap[..., 1:]
    crossing = start * end < 0
    share = start[crossing] / (start[crossing] - end[crossing])
    where = np.nonzero(crossing)[2]
    return np.asarray(knots[where] + share * np.diff(knots)[where])


def _worn(knots: Array, heights: Array, radius_mm: float) -> tuple[Array, Array]:
    """The edge after opening the metal under it with a disc: peaks become arcs, roots stay."""
    steps = int(np.ceil((knots[-1] - knots[0]) / WEAR_STEP_MM)) + 1
    x = np.linspace(knots[0], knots[-1], steps)
    reach = int(radius_mm / (x[1] - x[0]))
    ball = np.sqrt(np.maximum(0.0, radius_mm**2 - ((x[1] - x[0]) * np.arange(-reach, reach + 1)) ** 2))
    padded = np.pad(np.interp(x, knots, heights), 2 * reach, mode="edge")
    shrunk = (np.lib.stride_tricks.sliding_window_view(padded, ball.size) - ball).min(axis=1)
    opened = (np.lib.stride_tricks.sliding_window_view(shrunk, ball.size) + ball).max(axis=1)
    curve = np.column_stack([x, np.minimum(opened, np.interp(x, knots, heights))]).astype(np.float32)
    thin = cv2.approxPolyDP(curve.reshape(-1, 1, 2), WEAR_TRIM_MM, False).reshape(-1, 2).astype(np.float64)
    return thin[:, 0], thin[:, 1]


def _corners(polygon: Array) -> Array:
    """The polygon's true corners only: no point twice, and none on a straight line between its neighbours."""
    polygon = polygon[np.linalg.norm(polygon - np.roll(polygon, 1, axis=0), axis=1) > SAME_MM]
    before, after = polygon - np.roll(polygon, 1, axis=0), np.roll(polygon, -1, axis=0) - polygon
    turn = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.asarray(polygon[np.abs(turn) > SAME_MM])


def _turn_z(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _turn_y(angle: float) -> Array:
    """Turn about y that lowers what lies toward +x."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
