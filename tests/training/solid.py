"""A key's solid as triangles: blade with grooves milled into both faces, collar and head, faces apart from walls.

Key frame, in mm (see `tests.scene.key`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tests.scene.key import KeySpec, blade_plan, head_prism, hole_plan
from tests.training.listed import RUN_OUT_MM

Array = NDArray[np.float64]

GROOVE_DEPTH = (0.15, 0.4)  # of the blade's thickness
GROOVE_FLANK_DEG = (0.0, 35.0)  # of a groove's sides from upright
OPEN_GROOVE_P, OPEN_GROOVE_PART = 0.25, (0.08, 0.3)  # share of faces with one, and how far it goes over them
GRID_MM = 1e-5  # corners of a plan keep that apart: a worn edge has some that all but coincide, and makes no solid
FACE_COS = 0.9  # triangles as level as that are face or a groove's floor


@dataclass(frozen=True)
class Part:
    """Triangles with their own corners: ``points_mm`` (3n, 3) and ``along_mm`` (3n, 2), the texture's place."""

    name: str
    points_mm: Array
    along_mm: Array


@dataclass(frozen=True)
class Groove:
    """A groove milled into a face: its sides on the face in y of the key frame, its depth, and how far a side leans."""

    near_mm: float
    far_mm: float
    depth_mm: float
    lean_mm: float

    def depth_at(self, y_mm: Array) -> Array:
        """How far below the face the metal lies, shape (n,)."""
        inside = np.minimum(y_mm - self.near_mm, self.far_mm - y_mm)
        return np.asarray(np.clip(inside / max(self.lean_mm, 1e-6), 0, 1) * self.depth_mm)


def random_grooves(key: KeySpec, rng: np.random.Generator) -> tuple[tuple[Groove, ...], tuple[Groove, ...]]:
    """Grooves of the upper and of the lower face; at times one is open at an edge, where the rim then is its floor."""
    above = [*key.grooves_mm]
    below: list[tuple[float, float]] = []
    if rng.random() < 0.5:
        middle = rng.uniform(0.3, 0.7) * key.width_mm
        below.append((middle - 0.5, middle + 0.5))
    for sides in (above, below):
        if rng.random() < OPEN_GROOVE_P:
            reach = rng.uniform(*OPEN_GROOVE_PART) * key.width_mm
            at_b = rng.random() < 0.5
            opened = (-RUN_OUT_MM, reach) if at_b else (key.width_mm - reach, key.width_mm + RUN_OUT_MM)
            sides[:] = [opened, *(one for one in sides if one[1] < opened[0] or one[0] > opened[1])]
    return milled_grooves(key, (above, below), rng)


def milled_grooves(
    key: KeySpec,
    sides_mm: tuple[Sequence[tuple[float, float]], Sequence[tuple[float, float]]],
    rng: np.random.Generator,
) -> tuple[tuple[Groove, ...], tuple[Groove, ...]]:
    """Grooves of random depth, whose sides on the upper and on the lower face are told."""
    above, below = (tuple(_groove(key, one, rng) for one in sides) for sides in sides_mm)
    return above, below


def key_parts(key: KeySpec, face_up: str, grooves: tuple[tuple[Groove, ...], tuple[Groove, ...]]) -> list[Part]:
    """Faces and walls of the blade, and the head; ``grooves`` are those of the upper and of the lower face."""
    plan = shapely.set_precision(Polygon(blade_plan(key)), GRID_MM)
    blade = trimesh.creation.extrude_polygon(plan, key.thickness_mm)
    top = key.thickness_mm if face_up == "a" else 0.0
    for face_z, milled in zip((top, key.thickness_mm - top), grooves, strict=True):
        for groove in milled:
            blade = blade.difference(_taken_away(key, groove, face_z))
    prism = head_prism(key)
    hole = hole_plan(key)
    plan = Polygon(prism.plan_mm, [hole] if len(hole) else None)
    head = trimesh.creation.extrude_polygon(plan, prism.z_high_mm - prism.z_low_mm)
    head.apply_translation([0, 0, prism.z_low_mm])
    return [*_faces_and_walls(blade), _part("head", head.triangles)]


def _groove(key: KeySpec, sides_mm: tuple[float, float], rng: np.random.Generator) -> Groove:
    """A groove of random depth with sides that lean at random."""
    near, far = sides_mm
    depth = rng.uniform(*GROOVE_DEPTH) * key.thickness_mm
    lean = depth * np.tan(np.radians(rng.uniform(*GROOVE_FLANK_DEG)))
    return Groove(near, far, depth, min(lean, 0.3 * (far - near)))


def _taken_away(key: KeySpec, groove: Groove, face_z_mm: float) -> trimesh.Trimesh:
    """What a groove takes away from one face, from the head to beyond the tip."""
    inward = -1.0 if face_z_mm > 0 else 1.0
    corners = [
        (x, y + lean * below * groove.lean_mm, face_z_mm + inward * below * groove.depth_mm)
        for x in (-key.collar_mm - RUN_OUT_MM, key.length_mm + RUN_OUT_MM)
        for below in (-0.5, 1.0)
        for y, lean in ((groove.near_mm, 1.0), (groove.far_mm, -1.0))
    ]
    return trimesh.convex.convex_hull(np.array(corners))


def _faces_and_walls(solid: trimesh.Trimesh) -> list[Part]:
    """Triangles of a solid, level ones apart from the others."""
    level = np.abs(solid.face_normals[:, 2]) > FACE_COS
    return [_part("face", solid.triangles[level]), _part("wall", solid.triangles[~level])]


def _part(name: str, triangles: Array) -> Part:
    """Triangles with the place of each corner: along x and y, on walls along the wall and z."""
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    upright = np.abs(normal[:, 2]) < np.hypot(normal[:, 0], normal[:, 1])
    points = triangles.reshape(-1, 3)
    along = points[:, :2].copy()
    across = np.repeat(normal[:, :2] / np.maximum(np.linalg.norm(normal[:, :2], axis=1), 1e-12)[:, None], 3, axis=0)
    sideways = points[:, 1] * across[:, 0] - points[:, 0] * across[:, 1]
    on_wall = np.repeat(upright, 3)
    along[on_wall] = np.column_stack([sideways, points[:, 2]])[on_wall]
    return Part(name, points, along)
