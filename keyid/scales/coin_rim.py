"""A coin's upper rim in the photo, located along rays from its middle to a fraction of a pixel.

Around a coin there are several edges: rings inside its rim, the rim itself, the lower rim of a wall that faces the
camera, and the border of its shadow.  Only rings and rim go all the way round, and the rim is the outermost of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.scales.coin_search import Ellipse, fit_robustly

Array = NDArray[np.float64]

STATIONS = 120  # each 0.5 to 0.8 mm of the rim
SUBSTATIONS = 5  # rays averaged in each, so that noise and the table's texture average out
STEP_PX = 0.5
INWARD, OUTWARD = 0.10, 0.15  # of the radius: a ring inside the rim may have been found instead of it
LEVELS = np.arange(-0.08, 0.131, 0.01)  # of the radius: where a search for an edge all round starts
RINGS = 8  # bold curves whose shape is tried at all levels: a coin's rings are alike
ASIDE = 0.035  # of the radius: and how far its centre may be off, a ring on one side and the rim on the other
WINDOWS = (0.03, 0.02, 0.012, 0.008, 0.006)  # of the radius: edges that near to the last curve draw the next
CLEAR = 2.5  # times the median slope along its ray: an edge
TIGHT, TIGHT_STEPS = 0.004, 2.0  # of the radius, and at least so many samples: edges that near to a curve lie on it
ALL_ROUND = 0.85  # of the stations of the best curve: shadows and walls go half round
BOLD = 0.6  # of the boldest curve: rings are bolder than a rim on a table of its own colour
AS_WELL = 0.93  # of the best seen of those
TOUCHING = 0.05  # share of the stations in which two curves run together: rings of one coin never do
HELD = 0.05  # stations' worth of holding a curve where no edge is near
FLAT = 0.06  # of the radius: the coarse ellipse is flatter or rounder by less than that
REACH = 0.01  # of the radius: for the last look
AROUND = 0.03  # of the radius: where an edge that is bolder than the rim would be seen
ON_SHARE = 0.6  # of the boldest edge there
FAINT = 4.0  # times fainter than the usual station: no edge
CLEARLY_BOLD = 1.9  # a bolder curve is no mixture: of 85 coins those had 0.99 to 1.37, of drawn ones up to 1.69
AS_BOLD = 0.9  # of the chosen curve: then another may as well be the rim


@dataclass(frozen=True)
class Rim:
    """A coin's upper rim.

    Attributes
    ----------
    ellipse : Ellipse
        In pixels of the photo.
    points_px : ndarray, shape (n, 2)
        Points on it.
    bold : float
        How boldly it stands out of what else changes along rays from its middle: the share of the stations that show
        an edge there, times the mean log of that edge's slope over the usual slope.
    unsure : float
        How far, as a part of the radius, it may be another curve: a ring on one side and a shadow's border on the
        other draw one where a coin is so small that they lie close together.  0 where the rim stands out.
    """

    ellipse: Ellipse
    points_px: Array
    bold: float
    unsure: float


def find_rim(pixels: NDArray[np.uint8], coarse: Ellipse) -> Rim:
    """Locate the upper rim near an ellipse.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (height, width, 3)
    coarse : Ellipse
        In pixels of the photo; it may be one of the coin's rings.
    """
    offset, slope, ways = _rays(pixels, coarse, INWARD, OUTWARD)
    curve, bold, unsure = _outermost(offset, slope)
    ellipse = fit_robustly(np.asarray(coarse.centre_px) + (1 + curve)[:, None] * ways) or coarse
    offset, slope, ways = _rays(pixels, ellipse, REACH, REACH)
    at, height = _peaks(offset, slope)
    clear = height > np.median(height) / CLEAR
    seen = (np.asarray(ellipse.centre_px) + (1 + at)[:, None] * ways)[clear]
    return Rim(fit_robustly(seen) or ellipse, seen, bold, unsure)


def wholeness(pixels: NDArray[np.uint8], ellipse: Ellipse) -> tuple[float, float]:
    """Share of the stations that have an edge on an ellipse, and of those whose boldest edge lies there.

    A key's round head has none where the blade begins, or a bolder one beside it.
    """
    offset, slope, _ = _rays(pixels, ellipse, AROUND, AROUND)
    on = slope[:, np.abs(offset) < WINDOWS[-1]].max(axis=1)
    seen = on > np.median(on) / FAINT
    bold = seen & (on >= ON_SHARE * slope.max(axis=1))
    return round(float(np.mean(seen)), 2), float(np.mean(bold))


def _outermost(offset: Array, slope: Array) -> tuple[Array, float, float]:
    """Offsets of the outermost edge that goes all round, as a shift of the ellipse drawn at each station.

    With how bold and how unsure it is.

    To first order a change of an ellipse is a constant, a shift (once round) and a flattening (twice round).
    """
    at = (np.arange(STATIONS) + 0.5) / STATIONS * 2 * np.pi
    waves = np.column_stack([np.ones(STATIONS), np.cos(at), np.sin(at), np.cos(2 * at), np.sin(2 * at)])
    tops = (slope[:, 1:-1] >= slope[:, :-2]) & (slope[:, 1:-1] > slope[:, 2:])
    edges = np.zeros_like(slope)
    edges[:, 1:-1] = tops * slope[:, 1:-1] / np.median(slope, axis=1, keepdims=True)
    edges[edges < CLEAR] = 0.0
    turns = np.arange(8) * np.pi / 4
    sides = np.vstack([np.zeros(2), ASIDE * np.column_stack([np.cos(turns), np.sin(turns)])])
    starts = np.array([[level, *side, 0.0, 0.0] for level in LEVELS for side in sides])
    curves = _settle(offset, edges, waves, starts, WINDOWS)
    best = curves[np.argsort(-_boldness(offset, edges, curves @ waves.T)[1])[:: len(sides)]][:RINGS]
    rings = np.array([[level, *curve[1:]] for level in LEVELS for curve in best])
    curves = np.vstack([curves, _settle(offset, edges, waves, rings, WINDOWS[2:])])
    return _outermost_apart(curves @ waves.T, offset, edges)


def _boldness(offset: Array, edges: Array, curves: Array) -> tuple[Array, Array]:
    """Share of the stations with an edge on each curve, and how bold the curve is as a whole."""
    height, _ = _near(offset, edges, curves, max(TIGHT, TIGHT_STEPS * (offset[1] - offset[0])))
    share = np.mean(height > 0, axis=1)
    return share, share * np.log1p(height).mean(axis=1)


def _outermost_apart(curves: Array, offset: Array, edges: Array) -> tuple[Array, float, float]:
    """The outermost of the curves that are seen all round and keep apart from each other; how bold and unsure it is.

    A curve that follows another for part of the way and leaves it outward runs along the border of a shadow or a
    wall for the rest: of those the innermost is the coin's own.
    """
    share, bold = _boldness(offset, edges, curves)
    left = np.flatnonzero((share >= ALL_ROUND * share.max()) & (bold >= BOLD * bold.max()))
    mean = curves.mean(axis=1)
    own = []
    while len(left):
        touching = _touch(curves[left], curves[left[np.argmax(bold[left])]])
        family = left[touching]
        seen = family[share[family] >= AS_WELL * share[family].max()]
        own.append(int(seen[np.argmin(mean[seen])]))
        left = left[~touching]
    rim = max(own, key=lambda k: float(mean[k]))
    return curves[rim], float(bold[rim]), _unsure(rim, curves, share, bold)


def _unsure(rim: int, curves: Array, share: Array, bold: Array) -> float:
    """How far one of the curves may be another that is as bold, seen as well, and partly the same."""
    if bold[rim] >= CLEARLY_BOLD:
        return 0.0
    rivals = (bold >= AS_BOLD * bold[rim]) & (share >= AS_WELL * share[rim]) & _touch(curves, curves[rim])
    apart = np.sqrt(np.mean((curves[rivals] - curves[rim]) ** 2, axis=1)).max()
    return float(apart / np.sqrt(3))  # anywhere between the two (JCGM 100:2008, 4.3.7)


def _touch(curves: Array, other: Array) -> NDArray[np.bool_]:
    """Which curves run together with another for part of the way."""
    return np.asarray(np.mean(np.abs(curves - other) < WINDOWS[-1], axis=1) > TOUCHING)


def _settle(offset: Array, edges: Array, waves: Array, starts: Array, windows: tuple[float, ...]) -> Array:
    """The curves near k starts that follow the edges nearest to them, shape (k, 5)."""
    curves = starts
    for window in windows:
        height, place = _near(offset, edges, curves @ waves.T, window)
        seen = (height > 0).astype(float)
        normal = np.einsum("si,ks,sj->kij", waves, seen, waves) + HELD * np.eye(5)
        wanted = np.einsum("si,ks->ki", waves, seen * (place - curves @ waves.T))
        curves = curves + np.linalg.solve(normal, wanted[..., None])[..., 0]
        curves[:, 3:] = np.clip(curves[:, 3:], -FLAT, FLAT)
    return curves


def _near(offset: Array, edges: Array, curves: Array, window: float) -> tuple[Array, Array]:
    """Height and place, (k, stations) each, of the nearest or boldest edge near each curve; height 0 where none is."""
    step = offset[1] - offset[0]
    reach = int(window / step) + 1
    middle = np.rint((curves - offset[0]) / step).astype(np.intp)
    at = np.clip(middle[..., None] + np.arange(-reach, reach + 1), 0, len(offset) - 1)
    stations = np.arange(len(edges))[:, None]
    near = np.clip(1 - ((offset[at] - curves[..., None]) / window) ** 2, 0, None)
    best = (near * np.log1p(edges)[stations, at]).argmax(axis=2)[..., None]
    inside = np.take_along_axis(near, best, 2)[..., 0] > 0
    best = np.take_along_axis(at, best, 2)[..., 0]
    return inside * edges[stations[:, 0], best], offset[best]


def _rays(pixels: NDArray[np.uint8], ellipse: Ellipse, inward: float, outward: float) -> tuple[Array, Array, Array]:
    """Offsets over the radius, the colour's change there (stations, offsets), and the ways from centre to ellipse."""
    step = STEP_PX / ellipse.axes_px[0]
    offset = np.arange(-inward, outward + step, step)
    ways = ellipse.points(STATIONS * SUBSTATIONS) - ellipse.centre_px
    grid = (np.asarray(ellipse.centre_px) + (1 + offset)[None, :, None] * ways[:, None]).astype(np.float32)
    values = cv2.remap(pixels, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mean = values.reshape(STATIONS, SUBSTATIONS, len(offset), 3).mean(axis=1)
    smooth = cv2.GaussianBlur(mean, (0, 0), sigmaX=1.0 / STEP_PX, sigmaY=0.5)
    slope = np.linalg.norm(np.gradient(smooth, axis=1), axis=2)
    return offset, slope, ways.reshape(STATIONS, SUBSTATIONS, 2).mean(axis=1)


def _peaks(offset: Array, slope: Array) -> tuple[Array, Array]:
    """Offset and height of each station's strongest edge, between samples by a parabola."""
    at = np.clip(slope.argmax(axis=1), 1, slope.shape[1] - 2)
    rows = np.arange(len(at))
    before, here, after = (slope[rows, at + k] for k in (-1, 0, 1))
    bend = before - 2 * here + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    return offset[at] + np.clip(shift, -0.5, 0.5) * (offset[1] - offset[0]), here
