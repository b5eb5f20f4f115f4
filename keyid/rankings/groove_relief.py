"""Edges that run inside a milled groove: there the rim stands lower than the face, and parallax moves it.

The outline is measured on the plane of the upper face.  Where a cut reaches into a groove, or a groove is open at an
edge, the metal that ends the view is the groove's floor, two thirds of a millimetre lower: with the camera 10 degrees
aside it is seen a tenth of a millimetre from where it stands.  A profile tells where grooves are, so that its cuts can
be measured at their true places.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade, EdgeTrace
from keyid.blades.face import Viewpoint
from keyid.length import Length
from keyid.outlines.lie import THICKNESS_MM
from keyid.profiles.profile import Profile
from keyid.rankings.groove_evidence import WALL_LEAN, Grooves, likeliest_face, open_at

Array = NDArray[np.float64]

DEPTH_PART = 0.34  # of the thickness: grooves are about a third deep (common practice, no source)
DEPTH_U_PART = 0.15  # standard deviation of a groove's depth, as a part of it
LEAST_MM = 0.01  # of parallax: less is lost in an edge's own uncertainty
ROUNDS = 6  # of finding the depth below a point that is seen displaced: each leaves less than half of the error


@dataclass(frozen=True)
class Relief:
    """The grooves of a visible face, counted from edge b, how deep they are, and where the face was seen from."""

    grooves: Grooves
    depth_mm: float
    width_mm: float
    viewpoint: Viewpoint

    def depth(self, height_mm: Array) -> Array:
        """How far below the face the metal lies at true heights (n,), mm; a groove's walls lean."""
        deepest = np.zeros(len(height_mm))
        for near, far in self.grooves:
            at_near, at_far = open_at(near, far, self.width_mm)
            inside = np.full(len(height_mm), np.inf)
            if not at_near:
                inside = np.minimum(inside, height_mm - near)
            if not at_far:
                inside = np.minimum(inside, far - height_mm)
            deepest = np.maximum(deepest, np.clip(inside / WALL_LEAN, 0.0, self.depth_mm))
        return deepest

    def shift(self, x_mm: Array, height_mm: Array) -> tuple[Array, Array]:
        """How far, along and across, rims seen at these places are displaced from where they stand."""
        along, across = np.zeros(len(x_mm)), np.zeros(len(x_mm))
        for _ in range(ROUNDS):
            x, height = x_mm - along, height_mm - across
            along, across = self.viewpoint.shift(x, height, self.depth(height))
        return along, across


def reliefs_of(profile: Profile, blade: Blade) -> tuple[Relief, ...]:
    """What a profile's grooves do to the blade's edges as seen, one for each photo; empty where that is nothing."""
    found = []
    for face in blade.faces:
        told = likeliest_face(profile, face)
        depth = DEPTH_PART * (THICKNESS_MM if profile.thickness_mm is None else profile.thickness_mm)
        found.append(Relief(told[1] if told else (), depth, profile.width_mm, face.viewpoint))
    moved = max((_most_moved(relief, blade) for relief in found), default=0.0)
    return tuple(found) if moved > LEAST_MM else ()


def without_parallax(blade: Blade, reliefs: tuple[Relief, ...]) -> Blade:
    """The blade with its edges where they stand: at the heights that grooves leave, not on the face's plane."""
    if not reliefs:
        return blade
    middle = np.array([float(np.mean(blade.a.x_mm))])
    _, b_line = _mean_shift(reliefs, middle, np.zeros(1))  # edge b's line is seen there, and heights count from it
    seen_at = blade.width.mm + float(b_line[0])
    _, a_line = _mean_shift(reliefs, middle, np.array([seen_at]))
    width = seen_at - float(a_line[0])
    a = _moved(blade.a, reliefs, float(b_line[0]), 1.0, 0.0)
    b = _moved(blade.b, reliefs, seen_at, -1.0, width)
    return replace(blade, a=a, b=b, width=Length(width, blade.width.u_mm))


def _moved(trace: EdgeTrace, reliefs: tuple[Relief, ...], line_mm: float, sign: float, zero_mm: float) -> EdgeTrace:
    """An edge moved to where it stands; its heights are ``sign`` times those above edge b, counted from ``zero_mm``."""
    seen = np.isfinite(trace.height_mm) & np.isfinite(trace.u_mm)
    if np.count_nonzero(seen) < 2:
        return trace
    x, above_b = trace.x_mm[seen], line_mm + sign * trace.height_mm[seen]
    along, across = _mean_shift(reliefs, x, above_b)
    height = sign * (above_b - across - zero_mm)
    slope = np.abs(np.gradient(trace.height_mm[seen], x))
    u = np.hypot(trace.u_mm[seen], DEPTH_U_PART * (np.abs(across) + np.minimum(slope, 1.0) * np.abs(along)))
    order = np.argsort(x - along, kind="stable")
    stands = (x - along)[order]
    even, even_u = (np.interp(trace.x_mm, stands, values[order]) for values in (height, u))
    return replace(trace, height_mm=np.where(seen, even, np.nan), u_mm=np.where(seen, even_u, np.nan))


def _mean_shift(reliefs: tuple[Relief, ...], x_mm: Array, height_mm: Array) -> tuple[Array, Array]:
    """The mean over all photos."""
    along, across = zip(*(relief.shift(x_mm, height_mm) for relief in reliefs), strict=True)
    return np.mean(along, axis=0), np.mean(across, axis=0)


def _most_moved(relief: Relief, blade: Blade) -> float:
    """The greatest shift along or across of what is seen of both edges, mm."""
    most = 0.0
    for trace, line, sign in ((blade.a, 0.0, 1.0), (blade.b, blade.width.mm, -1.0)):
        seen = np.isfinite(trace.height_mm)
        if seen.any():
            moved = relief.shift(trace.x_mm[seen], line + sign * trace.height_mm[seen])
            most = max(most, float(np.max(np.abs(moved))))
    return most
