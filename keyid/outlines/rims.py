"""The upper rims of the blade, followed through the straightened blade and located to a fraction of a pixel.

Which edge is the rim is told by the regions of the strip; where it runs is the path along which an edge is sharp and
the upper face ends.  The path is found by dynamic programming over stations (Amini, Weymouth and Jain, "Using dynamic
programming for solving variational problems in vision", IEEE PAMI 12, 1990), with a cost for bending.  Then each of its
points is moved to the peak of the gradient across it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.outlines.segmentation import ODDS_LIMIT, Regions
from keyid.outlines.strip import STEP_MM, Image, Strip, gradients, peak_position
from keyid.photos.light import light_of_codes

Array = NDArray[np.float64]

STRIDE = 2  # strip columns per station of the path: 0.08 mm
MOVES = range(-4, 5)  # rows per station: slopes up to 2, flanks have about 1
TANGENT_MM = 0.12  # Gaussian weight along the path: averages brush marks and noise, shorter than a flat
TANGENT_REACH_MM = 0.2
RIDGE_MM = 0.12  # an edge is sharper than that, a soft shadow's border is not
EDGE_HALF = 0.015  # gradient per sample (of 1) at which an edge counts half
ODDS_WEIGHT = 0.35  # per sample: an edge outweighs the regions over a twentieth of a millimetre, no further
BEND_COST = 0.25  # per change of move
INNER_PART = 0.15  # of the width, beyond the axis down to which roots are looked for
TIP_SIDE_MM = 0.4  # inside the coarse edges, where the tip is looked for
TIP_INNER_MM = 5.0  # before the coarse tip
OUTER_MM = 2.0  # beyond the coarse edge
REFINE_REACH = 5.0  # samples (0.2 mm) to both sides of the path
REFINE_NEAR = 1.5  # samples: how far the path may be from its edge
CLEAR_U_MM = 0.06  # points less sure than that may be on another edge, and all in one direction
BAND_REACH = 20  # samples (0.8 mm) to both sides: a wall or a shadow that may pass for the face is that wide at most
SHRUNK_EXPONENT = 1.5  # of codes, light being about 2.2: lens and shrinking blur a shrunk edge by about as much
BRIGHTNESS = (0.2, 0.6, 0.2)  # of blue, green, red: nearly what JPEG keeps at full resolution, and fringes cancel in it
COLOUR_SHARE = 0.3  # weight of colour beside brightness where an edge is located: it decides only where that is weak
NEVER = -1e9


@dataclass(frozen=True)
class Rim:
    """The path of one side's upper rim.

    Attributes
    ----------
    column : ndarray of int, shape (n,)
        Columns of the side.
    out_mm : ndarray, shape (n,)
        Place of the rim across, measured outward from the coarse axis (not yet to sub-pixel).
    move : ndarray of int, shape (n,)
        Local slope in rows (outward) per STRIDE columns.
    """

    column: NDArray[np.int64]
    out_mm: Array
    move: NDArray[np.int64]


@dataclass(frozen=True)
class Side:
    """A part of the strip turned so that rows run outward, away from the metal: what a path is found in.

    Attributes
    ----------
    values : ndarray of float32, shape (rows, columns, 3)
    odds : ndarray of float32, shape (rows, columns)
        Log odds of the upper face.
    odds_alone : ndarray of float32, shape (rows, columns)
        Log odds of metal by the network alone.
    at_mm : ndarray, shape (columns,)
        Place of each column along the path: stations of an edge, places across of a tip.
    out_mm : ndarray, shape (rows,)
        Place of each row outward.
    shrunk : bool
        As the strip's.
    """

    values: Image
    odds: Image
    odds_alone: Image
    at_mm: Array
    out_mm: Array
    shrunk: bool = False

    @cached_property
    def gradients(self) -> tuple[Image, Image]:
        """Derivatives of linear light (of a shrunk picture's codes) along and outward: `strip.gradients`.

        Brightness counts before colour (`luminous`).
        """
        light = self.values**SHRUNK_EXPONENT if self.shrunk else light_of_codes(self.values)
        return gradients(luminous(light))


def look_outward(strip: Strip, odds: Image, odds_alone: Image, sign: int, first_mm: float, last_mm: float) -> Side:
    """The blade's side toward greater (sign +1) or smaller v, between two stations.

    ``odds`` are of its upper face, ``odds_alone`` of metal by the network alone.
    """
    order = slice(None, None, -1) if sign > 0 else slice(None)
    out = strip.v_mm[order] * sign
    columns = slice(*np.searchsorted(strip.s_mm, [first_mm, last_mm]))
    rows = slice(
        int(np.searchsorted(out, -INNER_PART * strip.width_mm)),
        int(np.searchsorted(out, strip.half_width_mm + OUTER_MM)),
    )
    values = np.ascontiguousarray(strip.values[order][rows, columns])
    told, alone = (layer[order][rows, columns] for layer in (odds, odds_alone))
    return Side(values, told, alone, strip.s_mm[columns], out[rows], strip.shrunk)


def look_past_tip(strip: Strip, regions: Regions) -> Side:
    """The strip's tip end, rows running outward past the tip, columns across the blade (v descending)."""
    across = np.abs(strip.v_mm) < strip.width_mm / 2 - TIP_SIDE_MM
    columns = slice(int(np.searchsorted(strip.s_mm, -TIP_INNER_MM)), len(strip.s_mm))
    values = np.ascontiguousarray(strip.values[across, columns].transpose(1, 0, 2))
    odds, alone = (layer[across, columns].T for layer in (regions.face_odds, regions.metal_odds_alone))
    return Side(values, odds, alone, strip.v_mm[across], strip.s_mm[columns], strip.shrunk)


def follow(side: Side) -> Rim:
    """The path along which the upper face ends and an edge is sharp."""
    strength = edge_strength(side.values)[:, :, ::STRIDE]
    support = ODDS_WEIGHT * np.cumsum(side.odds, axis=0)[:, ::STRIDE]
    path, moves = best_path(strength, support)
    return Rim(np.arange(len(path)) * STRIDE, side.out_mm[0] + path * STEP_MM, moves)


def undecided_mm(side: Side, rim: Rim) -> Array:
    """How wide, across the rim, the band is in which the regions don't tell the face from what is beside it.

    Each sample counts by its Gini impurity 4 p (1 - p): 1 where face and not face are equally likely, 0 where the odds
    are at their limit.  What the photo's own colours decided counts as undecided all the same: they were learnt from
    what the network told.
    """
    sure = float(1 / (1 + np.exp(-ODDS_LIMIT)))
    row = np.rint((rim.out_mm - side.out_mm[0]) / STEP_MM).astype(int)
    band = np.clip(row[:, None] + np.arange(-BAND_REACH, BAND_REACH + 1), 0, len(side.out_mm) - 1)
    odds = np.stack([layer[band, rim.column[:, None]] for layer in (side.odds, side.odds_alone)])
    share = 1 / (1 + np.exp(-odds))
    impurity = np.maximum(4 * share * (1 - share) - 4 * sure * (1 - sure), 0)
    return np.asarray(impurity.sum(axis=2).max(axis=0) * STEP_MM / np.hypot(1.0, rim.move / STRIDE))


def refine(side: Side, rim: Rim) -> tuple[Array, Array]:
    """The rim to sub-pixel: outward place and gradient at each point of the path.

    The gradient across the path's own slope, in linear light (in a shrunk picture's codes) and averaged along the rim,
    peaks at a blurred edge whatever the blur.  Returns places in mm and the peak's gradient per sample (of 1).
    """
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
        gradient = cv2.remap(slope_gradient(*side.gradients, int(move)), x, y, cv2.INTER_CUBIC)
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


def luminous(light: Image) -> Image:
    """Light as brightness and, far less, two differences of colour, (rows, columns, 3).

    JPEG files keep colour at half the resolution, and lenses lay blue and red a pixel or two to either side of green
    toward the picture's border: brightness moves least.  Where it shows no edge, colour still does.
    """
    brightness = light @ np.array(BRIGHTNESS, np.float32)
    blue, red = light[..., 0] - brightness, light[..., 2] - brightness
    share = np.float32(COLOUR_SHARE)
    return np.stack([np.float32(np.sqrt(3.0)) * brightness, share * blue, share * red], axis=-1)


def edge_strength(values: Image) -> Image:
    """How sharp an edge runs through each sample with each move's slope, 0 to 1, shape (moves, rows, columns)."""
    derivatives = gradients(values)
    return np.stack([_ridge(slope_gradient(*derivatives, move), move) for move in MOVES])


def slope_gradient(along: Image, down: Image, move: int) -> Image:
    """Magnitude of the gradient across a line of the move's slope, averaged along that line; (rows, columns)."""
    slope = move / STRIDE
    across = (down - slope * along) / np.float32(np.hypot(1.0, slope))
    first, second = (cv2.filter2D(across, -1, kernel, anchor=anchor) for kernel, anchor in _line_kernels(slope))
    return _magnitude(first + second)


def _magnitude(vectors: Image) -> Image:
    """Length of each sample's three values."""
    one, two, three = cv2.split(vectors)
    return np.asarray(cv2.magnitude(cv2.magnitude(one, two), three), np.float32)


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


@cache
def _line_kernels(slope: float) -> tuple[tuple[Image, tuple[int, int]], ...]:
    """A Gaussian along a line of the slope, one sample wide, with sum 1: kernels to be added, each with its anchor.

    Filters below 11 x 11 samples are summed sample by sample; larger ones go through Fourier transforms, which takes
    several times as long.  So the line is cut in two.
    """
    reach = int(TANGENT_REACH_MM / STEP_MM)
    at = np.arange(-reach, reach + 1)
    row, part = np.divmod(at * slope, 1.0)
    weight = np.exp(-0.5 * (at * np.hypot(1.0, slope) * STEP_MM / TANGENT_MM) ** 2)
    weight /= weight.sum()
    weight[at == 0] /= 2  # it belongs to both halves
    kernels = []
    for half in (at <= 0, at >= 0):
        low = int(row[half].min())
        kernel = np.zeros((int(row[half].max()) - low + 2, int(half.sum())), np.float32)
        rows, columns = row[half].astype(int) - low, np.arange(half.sum())
        kernel[rows, columns] += weight[half] * (1 - part[half])
        kernel[rows + 1, columns] += weight[half] * part[half]
        kernels.append((kernel, (-int(at[half][0]), -low)))
    return tuple(kernels)


def best_path(strength: Image, support: Image) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Best path through a picture, column by column.

    Parameters
    ----------
    strength : ndarray, shape (moves, rows, columns)
        Reward for passing a sample with a move.
    support : ndarray, shape (rows, columns)
        Reward for passing a sample at all.

    Returns
    -------
    path, moves : ndarray of int, shape (columns,)
        Row, and move by which it was reached.
    """
    kinds, rows, columns = strength.shape
    reward = np.ascontiguousarray((strength + support).transpose(2, 0, 1))
    scores = np.empty((columns, kinds, rows), np.float32)
    scores[0] = reward[0, MOVES.index(0)]
    left = np.full((kinds, rows + 2 * MOVES[-1]), NEVER, np.float32)  # with what lies beyond the first and last row
    reached = _by_moves(left, rows)
    for column in range(1, columns):
        left[:, MOVES[-1] : -MOVES[-1]] = _bent(scores[column - 1])
        np.add(reached, reward[column], out=scores[column])
    return _trace_back(scores)


def _by_moves(left: Image, rows: int) -> Image:
    """A view of the scores of leaving each row with each move, at the rows that are reached by the moves."""
    down, right = left.strides
    return np.lib.stride_tricks.as_strided(left[:, 2 * MOVES[-1] :], (len(MOVES), rows), (down - right, right))


def _bent(score: Image) -> Image:
    """Best score for leaving each row with each move, by whichever move it was reached, shape (moves, rows).

    The cost grows with each change of move, so that passing on the best from move to move, up and down, is enough.
    """
    cost = np.float32(BEND_COST) * np.arange(len(score), dtype=np.float32)[:, None]
    best = np.maximum.accumulate(score + cost) - cost
    return np.asarray(np.maximum.accumulate((best - cost)[::-1])[::-1] + cost)


def _trace_back(scores: Image) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Walk the best path back from its end."""
    columns, kinds, rows = scores.shape
    path = np.zeros(columns, np.int64)
    moves = np.zeros(columns, np.int64)
    kind, row = divmod(int(np.argmax(scores[-1])), rows)
    for column in range(columns - 1, 0, -1):
        path[column], moves[column] = row, MOVES[kind]
        row -= MOVES[kind]
        kind = int(np.argmax(scores[column - 1, :, row] - BEND_COST * np.abs(np.arange(kinds) - kind)))
    path[0] = row
    return path, moves
