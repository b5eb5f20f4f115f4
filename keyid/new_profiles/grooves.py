"""Milled grooves read from the lines along the face, without any profile: near and far rim of each, with uncertainty.

Every two lines may be a groove's rims or the edges of its floor.  Those sets of grooves that don't overlap are
compared by how well they explain the lines, as a profile's grooves are, and by how many grooves a blade is likely to
have.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from keyid.blades.face import FaceLine, FaceLines
from keyid.length import Length
from keyid.rankings.groove_evidence import (
    DEPTH_MM,
    FLOOR_LEAST_MM,
    FLOOR_SD_MM,
    MADE_SD_MM,
    OTHER_PER_MM,
    WALL_LEAN,
    expected_lines,
)

WIDTH_MM = (0.7, 3.5)  # of grooves
LAND_MM = 0.3  # left between two grooves
SHOWN_P = 0.9  # of a groove's lines, on a face whose grooves can be read
RATE = math.log(0.05)  # log of grooves per mm of place and mm of width: one or two on a blade of 8 mm
SAME_WAY = 0.2  # share of walls between whose rim and foot the face gets darker, or brighter, twice
SURE_NATS = 2.0  # by which a groove must explain its lines better than chance
SHADE_PER_MM = 0.3  # lines of shade and reflections on a groove's walls and floor, beside those at its walls' feet
RIM_REACH_MM = 0.12  # a line that near to a rim is the rim


@dataclass(frozen=True)
class Groove:
    """One groove of the visible face: its rims as distances from edge b's uncut line."""

    near: Length
    far: Length


def read_grooves(face: FaceLines) -> tuple[Groove, ...]:
    """Return the grooves of a face, ascending; none where none is sure enough.

    A groove that is open at an edge of the blade has only one rim and isn't found.
    """
    pairs = [
        (_gain(near.mm, far.mm, face), near, far)
        for near in _rims(face, 1.0)
        for far in _rims(face, -1.0)
        if WIDTH_MM[0] < far.mm - near.mm < WIDTH_MM[1]
    ]
    sure = sorted((pair for pair in pairs if pair[0] > SURE_NATS), key=lambda pair: pair[2].mm)
    return tuple(Groove(_with_datum(near, face), _with_datum(far, face)) for near, far in _best_set(sure))


def _rims(face: FaceLines, inward: float) -> list[Length]:
    """Where near rims (``inward`` 1) or far ones (-1) may be: at a line, or beside one that is the floor's edge."""
    floor = max(DEPTH_MM * (WALL_LEAN + inward * face.parallax), FLOOR_LEAST_MM)
    seen = [Length(line.height_mm, line.u_mm) for line in face.lines]
    hidden = [Length(line.mm - inward * floor, math.hypot(line.u_mm, FLOOR_SD_MM)) for line in seen]
    return [rim for rim in (*seen, *hidden) if face.low_mm <= rim.mm <= face.high_mm]


def _gain(near_mm: float, far_mm: float, face: FaceLines) -> float:
    """Log of how much better a groove explains the lines than chance does; each line is one rim's or one floor's."""
    _, floors = expected_lines(((near_mm, far_mm),), math.inf, face.parallax)
    middle = 0.5 * (near_mm + far_mm)
    walls = (
        (near_mm, floors[0], near_mm + RIM_REACH_MM, middle),
        (far_mm, floors[1], middle, far_mm - RIM_REACH_MM),
    )
    inside = sum(near_mm < line.height_mm < far_mm for line in face.lines)
    shade = (inside - 2) * math.log(SHADE_PER_MM / OTHER_PER_MM) - (SHADE_PER_MM - OTHER_PER_MM) * (far_mm - near_mm)
    return RATE + shade + sum(_wall_gain(*wall, face) for wall in walls)


def _wall_gain(rim_mm: float, floor_mm: float, low_mm: float, high_mm: float, face: FaceLines) -> float:
    """Log of how much better one wall explains the lines at its rim and, from low to high, at its foot."""
    beside = [line for line in face.lines if abs(line.height_mm - rim_mm) < RIM_REACH_MM]
    rim = max(beside, key=lambda line: _ratio(line, rim_mm, MADE_SD_MM), default=None)
    within = [line for line in face.lines if low_mm <= line.height_mm < high_mm]
    floor_ratios = [
        _ratio(line, floor_mm, FLOOR_SD_MM) * (SAME_WAY if rim is not None and line.z * rim.z > 0 else 1.0)
        for line in within
    ]
    ratios = (0.0 if rim is None else _ratio(rim, rim_mm, MADE_SD_MM), max(floor_ratios, default=0.0))
    return sum(math.log1p(-SHOWN_P + SHOWN_P * ratio) for ratio in ratios)


def _ratio(line: FaceLine, place_mm: float, sd_mm: float) -> float:
    """Density of a line near where it is expected over that of lines that are no groove's."""
    spread = math.hypot(sd_mm, line.u_mm)
    density = math.exp(-0.5 * ((line.height_mm - place_mm) / spread) ** 2) / (math.sqrt(2 * math.pi) * spread)
    return density / OTHER_PER_MM


def _best_set(pairs: list[tuple[float, Length, Length]]) -> list[tuple[Length, Length]]:
    """Those pairs, of some in ascending order of their far rims, that gain most together and leave lands between.

    Weighted interval scheduling by dynamic programming.
    """
    best: list[tuple[float, list[tuple[Length, Length]]]] = [(0.0, [])]
    for number, (gain, near, far) in enumerate(pairs):
        before = sum(other.mm + LAND_MM <= near.mm for _, _, other in pairs[:number])
        taken = (best[before][0] + gain, [*best[before][1], (near, far)])
        best.append(max(best[-1], taken, key=lambda found: found[0]))
    return best[-1][1]


def _with_datum(rim: Length, face: FaceLines) -> Length:
    return Length(rim.mm, math.hypot(rim.u_mm, face.datum_u_mm))
