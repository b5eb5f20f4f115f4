"""Exact projected outlines of solids: rims, the chain of visible rims, and the outline of their union.

Seen from above, a prism shows its top face and the side walls that face the camera.  Walking around its plan, the
lower rim of each facing wall and the upper rim of each averted one, joined by the upright edges where one kind follows
the other, make one closed *chain*.  Its winding number counts the visible sheets over a pixel: at least one on the
solid, none beside it.  So the outline of several solids is the border of winding number zero of their chains.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.scales.camera import Camera
from tests.scene.key import KeyPose, Prism

Array = NDArray[np.float64]
Labels = NDArray[np.int8]

LOWER, UPPER, WALL = 0, 1, 2  # what a stretch of a chain or outline is: lower rim, upper rim, an upright edge
MAX_STRETCH_MM = 1.0  # straight edges are cut up so that lens distortion bends them; sagitta then is below 0.001 px
PROBE_PX = 1e-5  # how far beside a stretch the winding number is looked at
JOIN_PX = 1e-6  # ends closer than this are the same point


@dataclass(frozen=True)
class Solid:
    """A prism in the picture.

    Attributes
    ----------
    plan_mm : ndarray, shape (n, 2)
        The plan, cut into short stretches.
    upper_px, lower_px : ndarray, shape (n, 2)
        The rims of the face turned up and of the one turned down; row i belongs to plan_mm[i].
    facing : ndarray of bool, shape (n,)
        True where the wall from point i to i + 1 faces the camera.
    """

    plan_mm: Array
    upper_px: Array
    lower_px: Array
    facing: NDArray[np.bool_]


def project_prism(prism: Prism, pose: KeyPose, camera: Camera) -> Solid:
    """Project a prism's rims."""
    plan = short_stretches(prism.plan_mm)
    up, down = (prism.z_high_mm, prism.z_low_mm) if pose.face_up == "a" else (prism.z_low_mm, prism.z_high_mm)
    upper, lower = (project_plan(plan, z, pose, camera) for z in (up, down))
    return Solid(plan, upper, lower, facing_walls(upper, lower))


def project_plan(plan_mm: Array, z_mm: float, pose: KeyPose, camera: Camera) -> Array:
    """Pixels (n, 2) of plan points at one key-frame z."""
    points = np.column_stack([plan_mm, np.full(len(plan_mm), z_mm)])
    return camera.project(pose.to_world(points))


def short_stretches(polygon: Array, longest: float = MAX_STRETCH_MM) -> Array:
    """The same closed polygon with extra points, so that no stretch is longer than ``longest``."""
    ends = np.roll(polygon, -1, axis=0)
    parts = np.maximum(1, np.ceil(np.linalg.norm(ends - polygon, axis=1) / longest).astype(int))
    pieces = [a + (b - a) * np.arange(n)[:, None] / n for a, b, n in zip(polygon, ends, parts, strict=True)]
    return np.vstack(pieces)


def chain(solid: Solid) -> tuple[Array, Labels]:
    """The closed chain of a solid's visible rims, positively wound, and what each stretch (i to i + 1) is."""
    points: list[Array] = []
    labels: list[int] = []
    before = bool(solid.facing[-1])
    for upper, lower, facing in zip(solid.upper_px, solid.lower_px, solid.facing, strict=True):
        if facing != before:
            points.append(upper if facing else lower)
            labels.append(WALL)
        points.append(lower if facing else upper)
        labels.append(LOWER if facing else UPPER)
        before = bool(facing)
    return wound(np.array(points), np.array(labels, dtype=np.int8))


def wound(points: Array, labels: Labels) -> tuple[Array, Labels]:
    """The polygon turned so that its signed area in pixel axes is positive."""
    if signed_area(points) >= 0:
        return points, labels
    return points[::-1], np.roll(labels[::-1], -1)


def signed_area(points: Array) -> float:
    """Shoelace area; positive when the polygon turns from x toward y."""
    x, y = points.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2


def union_outline(chains: list[tuple[Array, Labels]]) -> tuple[Array, Labels]:
    """Outer border of the union of positively wound chains, closed, and what each stretch (i to i + 1) is."""
    start = np.vstack([points for points, _ in chains])
    end = np.vstack([np.roll(points, -1, axis=0) for points, _ in chains])
    labels = np.concatenate([kinds for _, kinds in chains])
    start, end, labels = _split_at_crossings(start, end, labels)
    border = _on_border(start, end, [points for points, _ in chains])
    loops = _loops(start[border], end[border], labels[border])
    return max(loops, key=lambda loop: signed_area(loop[0]))


def winding(points: Array, polygons: list[Array]) -> NDArray[np.int64]:
    """How often positively wound polygons wind around each point (n, 2) altogether."""
    start = np.vstack(polygons)
    end = np.vstack([np.roll(polygon, -1, axis=0) for polygon in polygons])
    y = points[:, 1][:, None]
    above, past = start[:, 1] > y, end[:, 1] > y
    with np.errstate(divide="ignore", invalid="ignore"):
        x = start[:, 0] + (y - start[:, 1]) * ((end - start)[:, 0] / (end - start)[:, 1])
    left = (above != past) & (x < points[:, 0][:, None])
    return np.asarray(np.sum(np.where(left, np.where(past, -1, 1), 0), axis=1))


def facing_walls(upper: Array, lower: Array) -> NDArray[np.bool_]:
    """Which walls face the camera: their quad is wound like the face that is turned up."""
    next_upper, next_lower = np.roll(upper, -1, axis=0), np.roll(lower, -1, axis=0)
    along, across = next_upper - lower, upper - next_lower
    area = along[:, 0] * across[:, 1] - along[:, 1] * across[:, 0]
    return np.asarray(area * np.sign(signed_area(upper)) > 0)


def _split_at_crossings(start: Array, end: Array, labels: Labels) -> tuple[Array, Array, Labels]:
    """Cut every stretch where another one crosses it."""
    step = end - start
    cross = step[:, None, 0] * step[None, :, 1] - step[:, None, 1] * step[None, :, 0]
    apart = start[None, :] - start[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        mine = (apart[..., 0] * step[None, :, 1] - apart[..., 1] * step[None, :, 0]) / cross
        other = (apart[..., 0] * step[:, None, 1] - apart[..., 1] * step[:, None, 0]) / cross
    hit = (mine > 0) & (mine < 1) & (other > 0) & (other < 1)
    which, share = np.nonzero(hit)[0], mine[hit]
    index = np.concatenate([np.arange(len(start)), which])
    at = np.concatenate([np.zeros(len(start)), share])
    order = np.lexsort([at, index])
    index, at = index[order], at[order]
    last = np.append(index[1:] != index[:-1], True)
    until = np.where(last, 1.0, np.append(at[1:], 1.0))
    return start[index] + at[:, None] * step[index], start[index] + until[:, None] * step[index], labels[index]


def _on_border(start: Array, end: Array, polygons: list[Array]) -> NDArray[np.bool_]:
    """Which stretches have metal on one side only."""
    middle, step = (start + end) / 2, end - start
    length = np.linalg.norm(step, axis=1, keepdims=True)
    outward = np.column_stack([step[:, 1], -step[:, 0]]) / np.maximum(length, JOIN_PX)
    outside = winding(middle + PROBE_PX * outward, polygons) == 0
    inside = winding(middle - PROBE_PX * outward, polygons) > 0
    return np.asarray(outside & inside & (length[:, 0] > JOIN_PX))


def _loops(start: Array, end: Array, labels: Labels) -> list[tuple[Array, Labels]]:
    """Join stretches end to start into closed loops."""
    free = np.ones(len(start), dtype=bool)
    loops = []
    while free.any():
        at = int(np.argmax(free))
        walk = []
        while free[at]:
            free[at] = False
            walk.append(at)
            at = int(np.argmin(np.sum((start - end[at]) ** 2, axis=1)))
        loops.append((start[walk], labels[walk]))
    return loops
