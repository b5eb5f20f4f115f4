"""An uncut edge is straight, and found as one line: averaged along it, it shows where no stretch of it does.

Brushed metal, noise and a shadow's border hide a rim from any path that looks at a millimetre at a time.  So lines of
all slopes and places are tried, as the Radon transform does (Deans, "The Radon Transform and Some of Its Applications",
1983; from memory): along each the gradient is averaged a millimetre at a time, with its sign, and the stretches are
counted that show an edge.  Of the lines that do, that one is the rim up to which the regions tell of face along all of
the blade.  The foot of the blade's wall runs beside it: where both are seen, the rim is not mistaken for the foot.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.outlines.rims import CLEAR_U_MM, Rim, Side
from keyid.outlines.strip import STEP_MM, Image, peak_position

Array = NDArray[np.float64]

START_MM, END_MM = 0.6, 1.4  # left out: the corner at the shoulder or the head, and a tip that tapers or is bevelled
BLOCK = 12  # columns (0.48 mm) that are averaged before lines are tried
STRETCH = 2  # blocks: over about a millimetre an edge keeps its sign and a line of the next slope its place
LEAST_BLOCKS = 16  # on less than 8 mm a cut's flat is a line too
SLOPES = np.arange(-0.06, 0.0601, 0.004)  # a strip that was laid along blade and shadow is that much askew
FINE_SLOPES = np.arange(-0.004, 0.0041, 0.001)
NEAR_ROWS = 4  # of two lines nearer than that (0.16 mm) the clearer one counts
SHOWN = 2.0  # times the usual gradient: then a stretch shows an edge
LEAST_SHOWN, CLEARLY_SHOWN = 0.6, 0.9  # share of stretches that show the edge; cut edges have their lands only
INSIDE_ROWS = (8, 2)  # from there to there inside the line (0.32 to 0.08 mm) is looked for face
HOLE_BLOCKS = 2  # so many in a row (1 mm) without face inside: a cut
HOLE_COST = 2.0  # odds mm for a line without face inside: the regions take more for face than is, seldom less
MOST_BEHIND = 0.7  # odds mm: so much less than the best end of the face a line may be: regions take shade for face
MOST_BEYOND = 0.1  # odds mm: the same of a line beyond it, which is a shadow's border
FOOT_GAIN = 0.3  # odds mm for a rim whose foot is seen
INNER_BEHIND = 2.0  # odds mm: half a millimetre of face lies beyond such lines: grooves' and brush marks
INNER_LINES = 3  # so many of them tell the blade's direction
PARALLEL_SLOPE = 0.004  # to it an uncut edge runs; over 20 mm that is 0.08 mm
THICKNESS_SPAN = (0.65, 1.45)  # of the usual thickness: blades have 1.5 to 3.2 mm
LEAST_WALL_MM = 0.15  # a narrower wall merges with the rim
NEAR_PATH_MM = 0.12  # a path that near follows the line
PATH_SHARE = 0.5  # of the path follows a line that is shown in part only


@dataclass(frozen=True)
class StraightEdge:
    """A side's rim as a line.

    Attributes
    ----------
    out_mm : float
        Its place outward at the station ``middle_mm``.
    slope : float
        Outward for each mm along.
    middle_mm, first_mm, last_mm : float
        Stations: of the middle, and from where to where it was looked at.
    shown : float
        Share of its stretches that show an edge.
    foot_seen : bool
        Whether the foot of the blade's wall is seen beside it.
    parallel : bool
        Whether lines on the face, such as grooves, run along it.
    """

    out_mm: float
    slope: float
    middle_mm: float
    first_mm: float
    last_mm: float
    shown: float
    foot_seen: bool
    parallel: bool

    def at(self, s_mm: Array) -> Array:
        """Place outward at stations."""
        return np.asarray(self.out_mm + self.slope * (s_mm - self.middle_mm))


@dataclass(frozen=True)
class _Averaged:
    """Means of a side's blocks: gradient across (rows, blocks, 3), log odds (rows, blocks), and their places."""

    gradient: Image
    odds: Image
    at_mm: Array
    out_mm: Array


@dataclass(frozen=True)
class _Line:
    """A line that shows as an edge: row at the middle, slope, and how well it ends the face, in odds mm.

    ``holed``: the face inside it has holes; ``beyond_face``: the face ends before it.
    """

    row: float
    slope: float
    shown: float
    ends_face: float
    holed: bool
    beyond_face: bool


def find_straight_edge(side: Side, wall_mm: float) -> StraightEdge | None:
    """Find the line along which a side's upper face ends; None where no line does, as along a cut edge.

    ``wall_mm`` is how far outward of the rim the foot of a usual blade's wall is seen; nothing shows of a negative one.
    """
    averaged = _averaged(side)
    if averaged is None:
        return None
    lines = _lines(averaged)
    direction = _direction(lines)
    rims = [line for line in lines if not line.beyond_face and _along(line, direction)]
    best = max(rims, key=lambda line: _worth(line, lines, wall_mm), default=None)
    if best is None or best.holed or _worth(best, lines, wall_mm) < -MOST_BEHIND:
        return None
    return StraightEdge(
        out_mm=float(averaged.out_mm[0] + best.row * STEP_MM),
        slope=best.slope,
        middle_mm=float(averaged.at_mm.mean()),
        first_mm=float(averaged.at_mm[0]),
        last_mm=float(averaged.at_mm[-1]),
        shown=best.shown,
        foot_seen=_foot_seen(best, lines, wall_mm),
        parallel=direction is not None,
    )


def is_followed(line: StraightEdge, side: Side, rim: Rim) -> bool:
    """Whether a path may be replaced by a line: it follows it, or the line is shown all along and confirmed."""
    off, looked_at = _off(line, side, rim)
    near = np.abs(off[looked_at]) < NEAR_PATH_MM
    confirmed = line.shown >= CLEARLY_SHOWN and (line.foot_seen or line.parallel)
    return confirmed or bool(near.mean() >= PATH_SHARE)


def stands_for(line: StraightEdge, side: Side, rim: Rim, u_mm: Array) -> NDArray[np.bool_]:
    """Where a line stands for a path: not where the path is clearly told and lies inside, in a cut that is shallow.

    At the ends, where a corner may be round, it does only as far as the path follows it.
    """
    off, looked_at = _off(line, side, rim)
    shallow_cut = (off < -NEAR_PATH_MM) & (u_mm < CLEAR_U_MM)
    return np.asarray((looked_at & ~shallow_cut) | (np.abs(off) < NEAR_PATH_MM))


def _off(line: StraightEdge, side: Side, rim: Rim) -> tuple[Array, NDArray[np.bool_]]:
    """How far outward of a line a path runs, and where the line was looked at."""
    s_mm = side.at_mm[rim.column]
    return rim.out_mm - line.at(s_mm), (s_mm > line.first_mm) & (s_mm < line.last_mm)


def _averaged(side: Side) -> _Averaged | None:
    """The side in blocks; None where it is too short for a line to tell an uncut edge."""
    first, last = np.searchsorted(side.at_mm, [side.at_mm[0] + START_MM, side.at_mm[-1] - END_MM])
    count = int(last - first) // (BLOCK * STRETCH) * STRETCH
    if count < LEAST_BLOCKS:
        return None
    columns, size = slice(int(first), int(first) + count * BLOCK), (count, len(side.out_mm))
    layers = (np.ascontiguousarray(layer[:, columns]) for layer in (side.gradients[1], side.odds))
    gradient, odds = (np.asarray(cv2.resize(layer, size, interpolation=cv2.INTER_AREA), np.float32) for layer in layers)
    return _Averaged(gradient, odds, side.at_mm[columns].reshape(count, BLOCK).mean(axis=1), side.out_mm)


def _lines(averaged: _Averaged) -> list[_Line]:
    """The lines that show as edges on most stretches."""
    usual = float(np.median(_stretches(averaged, 0.0)))
    clear = np.stack([_clear(_stretches(averaged, slope), usual) for slope in SLOPES])
    best = clear.max(axis=0)
    ends = max(float(_face_to(_sheared(averaged.odds, averaged, slope)).max()) for slope in SLOPES)
    rows = range(INSIDE_ROWS[0] + 1, len(best) - 1)
    summits = [row for row in rows if best[row] == best[max(0, row - NEAR_ROWS) : row + NEAR_ROWS + 1].max()]
    lines = [_line(averaged, row, float(SLOPES[int(clear[:, row].argmax())]), usual, ends) for row in summits]
    return [line for line in lines if line.shown >= LEAST_SHOWN]


def _line(averaged: _Averaged, row: int, slope: float, usual: float, ends: float) -> _Line:
    """A line near a row and a slope, located to a fraction of a row."""
    fine = slope + FINE_SLOPES
    clear = np.stack([_clear(_stretches(averaged, one, _beside(row)), usual) for one in fine])
    number, beside = np.unravel_index(int(clear.argmax()), clear.shape)
    slope, row = float(fine[number]), row - 1 + int(beside)
    stretches = _stretches(averaged, slope, _beside(row))
    odds = _sheared(averaged.odds, averaged, slope)
    inside = odds[row - INSIDE_ROWS[0] : row - INSIDE_ROWS[1]].mean(axis=0) > 0
    face = _face_to(odds)
    hole = cv2.erode((~inside).astype(np.uint8)[None], np.ones((1, HOLE_BLOCKS), np.uint8), borderValue=0)
    return _Line(
        row=row - 1 + peak_position(stretches.mean(axis=1), 1),
        slope=slope,
        shown=float(np.mean(stretches[1] > SHOWN * usual)),
        ends_face=float(face[row - 1]) - ends - HOLE_COST * float(np.mean(~inside)),
        holed=bool(hole.any()),
        beyond_face=bool(face[:row].max() > face[row - 1] + MOST_BEYOND),
    )


def _beside(row: int) -> Array:
    """A row with its two neighbours."""
    return np.arange(row - 1.0, row + 2.0)


def _direction(lines: list[_Line]) -> float | None:
    """Slope of the clear lines on the face; None where too few tell of it."""
    inner = [line.slope for line in lines if line.ends_face < -INNER_BEHIND and line.shown >= CLEARLY_SHOWN]
    return float(np.median(inner)) if len(inner) >= INNER_LINES else None


def _along(line: _Line, direction: float | None) -> bool:
    """Whether a line runs in a direction, or none is known."""
    return direction is None or abs(line.slope - direction) <= PARALLEL_SLOPE


def _worth(line: _Line, lines: list[_Line], wall_mm: float) -> float:
    """How likely a line is the rim, in odds mm."""
    return line.ends_face + (FOOT_GAIN if _foot_seen(line, lines, wall_mm) else 0.0)


def _foot_seen(line: _Line, lines: list[_Line], wall_mm: float) -> bool:
    """Whether another line runs where the foot of the line's wall must be."""
    if wall_mm < LEAST_WALL_MM:
        return False
    near, far = (part * wall_mm / STEP_MM for part in THICKNESS_SPAN)
    return any(near < other.row - line.row < far for other in lines)


def _clear(stretches: Image, usual: float) -> Array:
    """How clearly each row shows as an edge on the mean of all stretches, 0 to 1."""
    return np.asarray((stretches / (stretches + SHOWN * usual)).mean(axis=1))


def _stretches(averaged: _Averaged, slope: float, rows: Array | None = None) -> Image:
    """Gradient across lines of a slope, of each row (all, unless told which) and stretch."""
    across = _sheared(averaged.gradient, averaged, slope, rows)
    shape = (len(across), across.shape[1] // STRETCH, STRETCH, 3)
    return np.asarray(np.linalg.norm(across.reshape(shape).mean(axis=2), axis=2))


def _face_to(odds: Image) -> Array:
    """What the odds tell for a face that goes to each row, in odds mm."""
    return np.asarray(np.cumsum(odds.mean(axis=1)) * STEP_MM)


def _sheared(layer: Image, averaged: _Averaged, slope: float, rows: Array | None = None) -> Image:
    """A layer moved so that lines of a slope run along its rows (all, unless told which)."""
    down = slope * (averaged.at_mm - averaged.at_mm.mean()) / STEP_MM
    at = np.arange(len(layer)) if rows is None else rows
    x, y = np.meshgrid(np.arange(len(down)), at)
    across, along = (np.asarray(values, np.float32) for values in (y + down, x))
    return np.asarray(cv2.remap(layer, along, across, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
