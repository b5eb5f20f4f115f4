"""A key's solid as triangles: blade with grooves milled into both faces, collar and head, faces apart from walls.

Key frame, in mm (see `tests.scene.key`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray
from shapely.geometry import Polygon

from tests.scene.key import KeySpec, blade_plan, head_prism, hole_plan

Array = NDArray[np.float64]

GROOVE_DEPTH = (0.15, 0.4)  # of the blade's thickness
GROOVE_FLANK_DEG = (0.0, 35.0)  # of a groove's sides from upright
RUN_OUT_MM = 1.0  # a groove goes on over the tip
FACE_COS = 0.9  # triangles as level as that are face or a groove's floor


@dataclass(frozen=True)
class Part:
    """Triangles with their own corners: ``points_mm`` (3n, 3) and ``along_mm`` (3n, 2), the texture's place."""

    name: str
    points_mm: Array
    along_mm: Array


def key_parts(key: KeySpec, face_up: str, rng: np.random.Generator) -> list[Part]:
    """Faces and walls of the blade, and the head."""
    blade = trimesh.creation.extrude_polygon(Polygon(blade_plan(key)), key.thickness_mm)
    top = key.thickness_mm if face_up == "a" else 0.0
    for near, far in key.grooves_mm:
        blade = blade.difference(_groove(key, (near, far), top, rng))
    for near, far in _grooves_below(key, rng):
        blade = blade.difference(_groove(key, (near, far), key.thickness_mm - top, rng))
    prism = head_prism(key)
    hole = hole_plan(key)
    plan = Polygon(prism.plan_mm, [hole] if len(hole) else None)
    head = trimesh.creation.extrude_polygon(plan, prism.z_high_mm - prism.z_low_mm)
    head.apply_translation([0, 0, prism.z_low_mm])
    return [*_faces_and_walls(blade), _part("head", head.triangles)]


def _groove(key: KeySpec, sides_mm: tuple[float, float], face_z_mm: float, rng: np.random.Generator) -> trimesh.Trimesh:
    """What a groove takes away from one face."""
    depth = rng.uniform(*GROOVE_DEPTH) * key.thickness_mm
    slope = depth * np.tan(np.radians(rng.uniform(*GROOVE_FLANK_DEG)))
    inward = -1.0 if face_z_mm > 0 else 1.0
    start, end = -key.collar_mm + rng.uniform(0, 3), key.length_mm + RUN_OUT_MM
    near, far = sides_mm
    slope = min(slope, 0.3 * (far - near))
    corners = [
        (x, y + lean * slope * (z > 0.5), face_z_mm + inward * depth * (1.0 if z > 0.5 else -0.5))
        for x in (start, end)
        for z in (0.0, 1.0)
        for y, lean in ((near, 1.0), (far, -1.0))
    ]
    return trimesh.convex.convex_hull(np.array(corners))


def _grooves_below(key: KeySpec, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Grooves of the face turned down: at times open at an edge, where the lower rim then stands higher."""
    if rng.random() < 0.5:
        return []
    if rng.random() < 0.4:
        reach = rng.uniform(0.1, 0.3) * key.width_mm
        return [(-1.0, reach)] if rng.random() < 0.5 else [(key.width_mm - reach, key.width_mm + 1.0)]
    middle = rng.uniform(0.3, 0.7) * key.width_mm
    return [(middle - 0.5, middle + 0.5)]


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
