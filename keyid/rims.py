"""The upper rims of the blade, followed through the straightened blade.

A blade is a solid: on a side that faces the camera its wall shows, and with it two edges, the upper and the lower rim.
The way from the upper to the lower rim is known up to the blade's thickness (``Lie.wall``).  So each rim is the path
along which edges are strongest where the *pair* is expected, with face inside and no face, and no further strong edge,
on the way from the middle; the thickness is the one for which the pairs fit best.  The path is found by dynamic
programming over stations (Amini, Weymouth and Jain, "Using dynamic programming for solving variational problems in
vision", IEEE PAMI 12, 1990), with a cost for bending, and with jumps inward for a shoulder's step.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.camera import Camera
from keyid.face import BODY_MM, LIMIT
from keyid.strip import STEP_MM, Image, Strip, gradients, peak_position

Array = NDArray[np.float64]

STRIDE = 2  # strip columns per station of the path: 0.08 mm
MOVES = range(-4, 5)  # rows per station: slopes up to 2, flanks have about 1
THICKNESSES_MM = np.arange(1.4, 3.45, 0.2)  # blades of flat keys (common practice, no source)
THICKNESS_PRIOR_MM = 2.25
THICKNESS_PRIOR_SD_MM = 0.45
TANGENT_MM = 0.12  # Gaussian weight along the path: averages brush marks and noise, shorter than a flat
TANGENT_REACH_MM = 0.2
RIDGE_MM = 0.12  # an edge is sharper than that, a soft shadow's border is not
EDGE_HALF = 0.015  # gradient per sample (of 1) at which an edge counts half
PAIR_WEIGHT = (
    1.0  # the lower rim's say beside the upper rim's: it parts metal from table, the upper one metal from metal
)
PAIR_FROM_MM = 0.06  # rims closer than that show as one edge
PAIR_FULL_MM = 0.16
FACE_WEIGHT = 0.05  # per sample and unit of the face's log ratio: neighbours are not independent
FACE_DOUBT = 0.2  # log ratio that a sample must exceed to speak for the face: shade may look alike
UNCLEAR = 0.4  # edge strength up to which noise and brush marks reach
FACING_MOVE = 2  # lines steeper than 45 degrees (a groove's, seen from the tip) are not crossed but followed
INNER_EDGE_COST = 0.25  # per sample of full edge strength between the middle and the rim
BEND_COST = 0.25  # per change of move
JUMP_COST = 4.0
JUMP_FROM = 12  # rows: a step of 0.5 mm
LAND_PERCENTILE = 85  # of an edge's places across: its lands, not its cuts
WIDTHS_MM = (4.5, 12.5)  # of the blades of flat keys (common practice, no source)
STRAIGHT_LINE = 0.35  # share of a row's gradient that points one way all along the blade
GROOVE_FACE_MM = 1.3  # beyond a groove's wall comes face again, past a floor of up to half that width
GROOVE_FACE = 0.6  # of the greatest log ratio
GROOVE_CORE = 0.3  # of the coarse width, which shade may make too large: straight lines there are grooves
GROOVE_MOVE = 1  # a groove's edge has no slope; a cut's flank that crosses it keeps its strength
GROOVE_STRENGTH = 0.2  # what is left of a groove's edge
INNER_PART = 0.15  # of the width, beyond the axis down to which roots are looked for
TIP_SIDE_MM = 0.4  # inside the coarse edges, where the tip is looked for
TIP_INNER_MM = 5.0  # before the coarse tip
OUTER_MM = 3.3  # beyond the coarse edge: collars of shoulders
REFINE_REACH = 5.0  # samples (0.2 mm) to both sides of the path
REFINE_NEAR = 2.5  # samples: how far the path may be from its edge
NEVER = -1e9


@dataclass(frozen=True)
class Rim:
    """The path of one side's upper rim.

    Attributes
    ----------
    column : ndarray of int, shape (n,)
        Strip columns.
    out_mm : ndarray, shape (n,)
        Place of the rim across, measured outward from the coarse axis (not yet to sub-pixel).
    move : ndarray of int, shape (n,)
        Local slope in rows (outward) per STRIDE columns.
    strength : ndarray, shape (n,)
        Edge strength at the path, 0 to 1.
    """

    column: NDArray[np.int64]
    out_mm: Array
    move: NDArray[np.int64]
    strength: Array


@dataclass(frozen=True)
class Side:
    """One side of the strip, rows running outward: what the path is found in."""

    values: Image
    out_mm: Array
    strength: Image
    face: Image
    crossed: Image
    wall: Array


def centred(strip: Strip, face: Image, camera: Camera, last_s_mm: float) -> tuple[float, float]:
    """Middle (v) and width of the blade in mm, from a first look that takes no line for a groove.

    A coarse silhouette may hold a shadow beside the blade, and then its middle and width are wrong.
    """
    edges = []
    for sign in (1, -1):
        side = look_outward(strip, face, camera, sign, last_s_mm, with_grooves=False)
        rim = follow(side, np.array([THICKNESS_PRIOR_MM]))[0][0]
        body = strip.s_mm[rim.column] > -min(BODY_MM, strip.length_mm)
        edges.append(sign * float(np.percentile(rim.out_mm[body], LAND_PERCENTILE)))
    return 0.5 * (edges[0] + edges[1]), float(np.clip(edges[0] - edges[1], *WIDTHS_MM))


def look_outward(
    strip: Strip, face: Image, camera: Camera, sign: int, last_s_mm: float, *, with_grooves: bool = True
) -> Side:
    """One side of the strip (sign +1: toward greater v) up to a station, with its edges and its face support."""
    order = slice(None, None, -1) if sign > 0 else slice(None)
    out = strip.v_mm[order] * sign
    columns = int(np.searchsorted(strip.s_mm, last_s_mm))
    rows = slice(
        int(np.searchsorted(out, -INNER_PART * strip.width_mm)),
        int(np.searchsorted(out, strip.half_width_mm + OUTER_MM)),
    )
    values = np.ascontiguousarray(strip.values[order][rows, :columns])
    stations = strip.s_mm[:columns:STRIDE]
    edge_points = np.column_stack([stations, np.full(len(stations), sign * strip.width_mm / 2)])
    wall = strip.lie.wall(edge_points, camera) * [1.0, sign]
    near = face[order][rows, :columns]
    core = GROOVE_CORE * strip.width_mm
    straight = _groove_rows(values, near, out[rows], strip, columns, core if with_grooves else np.inf)
    return _side(values, near, out[rows], wall, straight, with_grooves)


def look_past_tip(strip: Strip, face: Image, camera: Camera) -> Side:
    """The strip's tip end, rows running outward past the tip, columns across the blade (v descending)."""
    across = np.abs(strip.v_mm) < strip.width_mm / 2 - TIP_SIDE_MM
    columns = slice(int(np.searchsorted(strip.s_mm, -TIP_INNER_MM)), len(strip.s_mm))
    values = np.ascontiguousarray(strip.values[across, columns].transpose(1, 0, 2))
    places = strip.v_mm[across][::STRIDE]
    wall = strip.lie.wall(np.column_stack([np.zeros(len(places)), places]), camera)[:, ::-1] * [-1.0, 1.0]
    out = strip.s_mm[columns]
    return _side(values, face[across, columns].T, out, wall, np.zeros(len(out), bool), False)


def _side(
    values: Image, face: Image, out_mm: Array, wall: Array, straight: NDArray[np.bool_], with_grooves: bool
) -> Side:
    """Edges of all slopes, and what speaks for a rim in each place."""
    groove = straight & with_grooves
    strength = edge_strength(values)
    level = [i for i, move in enumerate(MOVES) if abs(move) <= GROOVE_MOVE]
    strength[level] *= np.where(groove, GROOVE_STRENGTH, 1.0).astype(np.float32)[None, :, None]
    facing = [i for i, move in enumerate(MOVES) if abs(move) <= FACING_MOVE]
    clear = np.clip((strength[facing].max(axis=0) - UNCLEAR) / (1 - UNCLEAR), 0, 1)
    inner = np.where(straight[:, None], 0.0, clear)
    crossed = np.cumsum(inner, axis=0)
    lag = int(RIDGE_MM / STEP_MM) + 1
    crossed = np.vstack([np.zeros((lag, crossed.shape[1])), crossed[:-lag]])
    crossed = crossed[:, ::STRIDE].astype(np.float32)
    ratio = np.cumsum(face, axis=0)[:, ::STRIDE].astype(np.float32)
    return Side(values, out_mm, strength[:, :, ::STRIDE], ratio, crossed, wall)


def follow(side: Side, thicknesses_mm: Array = THICKNESSES_MM) -> tuple[list[Rim], Array]:
    """The best path for each thickness, and each path's score."""
    paired = np.stack([_pair_strength(side, thickness) for thickness in thicknesses_mm])
    rows = np.arange(len(side.face), dtype=np.float32)[:, None]
    support = FACE_WEIGHT * (side.face - FACE_DOUBT * rows) - INNER_EDGE_COST * side.crossed
    paths, moves, scores = best_paths(paired, support)
    columns = np.arange(paths.shape[1]) * STRIDE
    index = np.arange(paths.shape[1])
    rims = [
        Rim(columns, side.out_mm[0] + path * STEP_MM, move, side.strength[move + 4, path, index].astype(float))
        for path, move in zip(paths, moves, strict=True)
    ]
    return rims, scores


def refine(side: Side, rim: Rim) -> tuple[Array, Array]:
    """The rim to sub-pixel: outward place and gradient at each point of the path.

    The gradient across the path's own slope, in linear light and averaged along the rim, peaks at a blurred edge
    whatever the blur.  Returns places in mm and the peak's gradient per sample (of 1).
    """
    linear = _linear_light(side.values)
    place = np.full(len(rim.out_mm), np.nan)
    height = np.zeros(len(rim.out_mm))
    offsets = np.arange(-REFINE_REACH, REFINE_REACH + 0.25, 0.5)
    row = (rim.out_mm - side.out_mm[0]) / STEP_MM
    for move in np.unique(rim.move):
        at = np.flatnonzero(rim.move == move)
        slope = move / STRIDE
        down = offsets / np.hypot(1.0, slope)
        x = (rim.column[at][:, None] - slope * down[None, :]).astype(np.float32)
        y = (row[at][:, None] + down[None, :]).astype(np.float32)
        gradient = cv2.remap(slope_gradient(linear, int(move)), x, y, cv2.INTER_CUBIC)
        near = gradient * np.exp(-0.5 * (offsets / REFINE_NEAR) ** 2)
        for i, point in enumerate(at):
            index = _summit(gradient[i], int(np.argmax(near[i])))
            along = (np.interp(index, np.arange(len(offsets)), offsets)) / np.hypot(1.0, slope)
            place[point] = side.out_mm[0] + (row[point] + along * (1.0 + slope**2)) * STEP_MM
            height[point] = gradient[i].max()
    return place, height


def _summit(gradient: Image, index: int) -> float:
    """Climb from an index to the next local maximum, then to sub-sample place by a parabola."""
    while 0 < index < len(gradient) - 1 and gradient[index] < max(gradient[index - 1], gradient[index + 1]):
        index += 1 if gradient[index + 1] > gradient[index - 1] else -1
    return peak_position(gradient.astype(float), index)


def _linear_light(values: Image) -> Image:
    """Undo the sRGB coding (IEC 61966-2-1)."""
    clipped = np.clip(values, 0.0, 1.0)
    low = clipped / 12.92
    return np.asarray(np.where(clipped <= 0.04045, low, ((clipped + 0.055) / 1.055) ** 2.4), np.float32)


def choose_thickness(scores: Array) -> tuple[float, float]:
    """The thickness and its standard uncertainty in mm, from the summed scores of the paths.

    The scores take the part of log likelihoods of correlated samples; a quarter of their differences is believed.
    """
    prior = -0.5 * ((THICKNESSES_MM - THICKNESS_PRIOR_MM) / THICKNESS_PRIOR_SD_MM) ** 2
    weight = np.exp((scores - scores.max()) / 4 + prior)
    weight /= weight.sum()
    mean = float(weight @ THICKNESSES_MM)
    spread = float(np.sqrt(weight @ (THICKNESSES_MM - mean) ** 2))
    return mean, float(np.hypot(spread, THICKNESSES_MM[1] - THICKNESSES_MM[0]))


def edge_strength(values: Image) -> Image:
    """How sharp an edge runs through each sample with each move's slope, 0 to 1, shape (moves, rows, columns)."""
    return np.stack([_ridge(slope_gradient(values, move), move) for move in MOVES])


def slope_gradient(values: Image, move: int) -> Image:
    """Magnitude of the gradient across a line of the move's slope, averaged along that line; (rows, columns)."""
    along, down = gradients(values)
    slope = move / STRIDE
    across = (down - slope * along) / np.float32(np.hypot(1.0, slope))
    averaged = cv2.filter2D(across, -1, _line_kernel(slope))
    return np.asarray(np.sqrt(np.sum(averaged**2, axis=2)), np.float32)


def _ridge(gradient: Image, move: int) -> Image:
    """The gradient less its mean to both sides, saturated: large on a sharp edge, none on a soft border."""
    slope = move / STRIDE
    reach = RIDGE_MM / STEP_MM / np.hypot(1.0, slope)
    beside = [_moved(gradient, -slope * reach * side, reach * side) for side in (1, -1)]
    sharp = np.maximum(gradient - 0.5 * (beside[0] + beside[1]), 0)
    return np.asarray(sharp / (sharp + EDGE_HALF), np.float32)


def _moved(values: Image, columns: float, rows: float) -> Image:
    """The picture sampled a fixed step further."""
    shift = np.array([[1, 0, columns], [0, 1, rows]], np.float32)
    return np.asarray(
        cv2.warpAffine(
            values,
            shift,
            (values.shape[1], values.shape[0]),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )


def _line_kernel(slope: float) -> Image:
    """A Gaussian along a line of the slope, one sample wide, with sum 1."""
    reach = int(TANGENT_REACH_MM / STEP_MM)
    middle = 2 * reach + 1
    kernel = np.zeros((2 * middle + 1, 2 * reach + 1), np.float32)
    for i in range(-reach, reach + 1):
        row, part = divmod(i * slope, 1.0)
        weight = np.exp(-0.5 * (i * np.hypot(1.0, slope) * STEP_MM / TANGENT_MM) ** 2)
        kernel[middle + int(row), i + reach] += weight * (1 - part)
        kernel[middle + int(row) + 1, i + reach] += weight * part
    return np.asarray(kernel / kernel.sum(), np.float32)


def _groove_rows(
    values: Image, face: Image, out_mm: Array, strip: Strip, columns: int, core_mm: float
) -> NDArray[np.bool_]:
    """Rows near straight lines that run all along the blade with face on both sides: the walls of grooves."""
    s_mm = strip.s_mm[:columns]
    body = (s_mm < -2.0) & (s_mm > max(2.0 - strip.length_mm, -BODY_MM))
    down = gradients(values)[1][:, body]
    down = down / (np.linalg.norm(down, axis=2, keepdims=True) + 0.01)
    half = down.shape[1] // 2
    parts = [np.linalg.norm(part.mean(axis=1), axis=1) for part in (down[:, :half], down[:, half:])]
    line = 1.3 * np.minimum(parts[0], parts[1]) > STRAIGHT_LINE
    reach = round(GROOVE_FACE_MM / STEP_MM)
    level = np.median(face[:, body], axis=1) / LIMIT
    beyond = np.array([np.percentile(level[i + 3 : i + reach], 60) for i in range(len(level) - 4)] + [-1.0] * 4)
    core = out_mm < core_mm
    return np.asarray(np.convolve(line & (core | (beyond > GROOVE_FACE)), np.ones(7), "same") > 0)


def _pair_strength(side: Side, thickness_mm: float) -> Image:
    """Edge strength of an upper rim together with the lower rim that goes with it, where that can be seen."""
    paired = side.strength.copy()
    offset = side.wall * thickness_mm / [STEP_MM * STRIDE, STEP_MM]
    for i, move in enumerate(MOVES):
        slope = move / STRIDE
        seen_mm = (side.wall[:, 1] - slope * side.wall[:, 0]) / np.hypot(1.0, slope) * thickness_mm
        weight = PAIR_WEIGHT * np.clip((seen_mm - PAIR_FROM_MM) / (PAIR_FULL_MM - PAIR_FROM_MM), 0, 1)
        if weight.max() > 0:
            both = np.sqrt(np.maximum(side.strength[i] * _sampled(side.strength[i], offset), 0))
            paired[i] += weight.astype(np.float32)[None, :] * both
    return paired


def _sampled(values: Image, offset: Array) -> Image:
    """The picture sampled at each column's own offset (columns, rows)."""
    rows, columns = values.shape
    x = np.broadcast_to((np.arange(columns) + offset[:, 0]).astype(np.float32), values.shape)
    y = (np.arange(rows)[:, None] + offset[None, :, 1]).astype(np.float32)
    x = np.ascontiguousarray(x)
    return np.asarray(cv2.remap(values, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def best_paths(strength: Image, support: Image) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Best path through each of a batch of pictures.

    Parameters
    ----------
    strength : ndarray, shape (batch, moves, rows, columns)
        Reward for passing a sample with a move.
    support : ndarray, shape (rows, columns)
        Reward for passing a sample at all.

    Returns
    -------
    paths, moves : ndarray of int, shape (batch, columns)
        Row, and move by which it was reached.
    scores : ndarray, shape (batch,)
    """
    batch, kinds, rows, columns = strength.shape
    straight = MOVES.index(0)
    score = np.repeat((strength[:, straight, :, 0] + support[:, 0])[:, None], kinds, axis=1)
    came_by = np.zeros((columns, batch, kinds, rows), np.int8)
    jumped = np.full((columns, batch, rows), -1, np.int16)
    best_kind = np.zeros((columns, batch, rows), np.int8)
    for column in range(1, columns):
        best_kind[column - 1] = score.argmax(axis=1)
        bent, kind = _bend(score)
        arrived = np.full_like(score, NEVER)
        for i, move in enumerate(MOVES):
            to, origin = _shifted(move, rows)
            arrived[:, i, to] = bent[:, i, origin]
            came_by[column, :, i, to] = kind[:, i, origin]
        landed, source = _jump(score)
        better = landed > arrived[:, straight]
        arrived[:, straight] = np.where(better, landed, arrived[:, straight])
        jumped[column] = np.where(better, source, -1)
        score = arrived + strength[:, :, :, column] + support[None, None, :, column]
    return _trace_back(score, came_by, jumped, best_kind, straight)


def _shifted(move: int, rows: int) -> tuple[slice, slice]:
    """Rows reached by a move, and the rows that they are reached from."""
    if move >= 0:
        return slice(move, rows), slice(0, rows - move)
    return slice(0, rows + move), slice(-move, rows)


def _bend(score: Image) -> tuple[Image, NDArray[np.int8]]:
    """Best score for leaving each row with each move, and the move by which that row was reached."""
    best = score.copy()
    kinds = score.shape[1]
    kind = np.broadcast_to(np.arange(kinds, dtype=np.int8)[None, :, None], score.shape).copy()
    for i, beside in [(i, i - 1) for i in range(1, kinds)] + [(i, i + 1) for i in range(kinds - 2, -1, -1)]:
        other = best[:, beside] - BEND_COST
        better = other > best[:, i]
        best[:, i] = np.where(better, other, best[:, i])
        kind[:, i] = np.where(better, kind[:, beside], kind[:, i])
    return best, kind


def _jump(score: Image) -> tuple[Image, NDArray[np.int16]]:
    """Best score for landing on each row by a jump inward, and the row jumped from."""
    best = score.max(axis=1)
    rows = best.shape[1]
    reach = np.maximum.accumulate(best[:, ::-1], axis=1)[:, ::-1]
    holder = np.where(best >= reach, np.arange(rows), rows)
    source = np.minimum.accumulate(holder[:, ::-1], axis=1)[:, ::-1]
    landed = np.full_like(best, NEVER)
    landed[:, :-JUMP_FROM] = reach[:, JUMP_FROM:] - JUMP_COST
    origin = np.full(best.shape, -1, np.int16)
    origin[:, :-JUMP_FROM] = source[:, JUMP_FROM:]
    return landed, origin


def _trace_back(
    score: Image,
    came_by: NDArray[np.int8],
    jumped: NDArray[np.int16],
    best_kind: NDArray[np.int8],
    straight: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64], Array]:
    """Walk each batch member's best path back from its end."""
    columns, batch = came_by.shape[:2]
    paths = np.zeros((batch, columns), np.int64)
    moves = np.zeros((batch, columns), np.int64)
    for b in range(batch):
        kind, row = divmod(int(np.argmax(score[b])), score.shape[2])
        for column in range(columns - 1, 0, -1):
            paths[b, column], moves[b, column] = row, MOVES[kind]
            if kind == straight and jumped[column, b, row] >= 0:
                row = int(jumped[column, b, row])
                kind = int(best_kind[column - 1, b, row])
            else:
                kind, row = int(came_by[column, b, kind, row]), row - MOVES[kind]
        paths[b, 0] = row
    return paths, moves, score.max(axis=(1, 2)).astype(float)
