"""The scale from a sheet of paper of told size, with all four corners in view.

Its sides are found as straight edges of a large four-sided figure and measured at many stations.  A4 and A5 have the
same proportions, so which it is has to be told; whether the figure has that sheet's proportions is checked.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales import card, card_search
from keyid.scales.card_edges import slopes_between
from keyid.scales.corner_scale import in_turn, outline_of, scale_at_corners, turn_of
from keyid.scales.lens import Lens, focal_source, lenses_of
from keyid.scales.paper import PAPERS, SIDE_LOG_U, Paper
from keyid.scales.pose_fit import Body, Guess, Model, PoseFit, fit, scale_of, start_on_plane
from keyid.scales.scale import Scale

Array = NDArray[np.float64]

ASPECT = 1.35  # between Letter's and A4's: figures are looked for within a third of it
LEAST_SHARE = 0.08  # of the picture: a smaller sheet is too coarse to measure a key on
MOST_FIGURES = 12  # the largest, that are looked at closely
STATIONS = 60  # on each side
CORNER_PART = 0.03  # of a side, at its ends, where a bent corner is left out
REACH_PART = 0.008  # of a side: how far to both sides its edge is looked for; figures of the shrunk photo are that good
STEPS = 81  # in that reach to both sides
NEAR_PX = 2.0  # of the shrunk photo: stations that near to a side's curve lie on it
CLEAR = 0.25  # of the side's usual edge: a station that shows less is hidden
LEAST_SLOPE = 0.5  # grey levels per step: noise has that
SEEN = 0.55  # of the stations of each side must lie on it: a key, a finger and a card hide the others
CURVE = 2  # order of a side's curve: lenses and wavy paper bend it
THICKNESS_MM, LIFTED_U_MM = 0.1, 0.3  # paper; its sides curl up a little
EDGE_U_PX, EDGE_U_MM = 0.4, 0.15  # of one station: how well it is seen, and how straight paper is cut and lies
TOGETHER = 2.0  # neighbouring stations err together: four of them count as one
FREE_RAD = 10.0  # no prior for the turn
WRONG_U = 3.5  # standard uncertainties by which the proportions of another sheet are off
POINTED_U = 4.0  # standard uncertainties of pointing within which sides belong to corners that were pointed at


@dataclass(frozen=True)
class Sides:
    """Points seen on the four sides of a sheet, counter-clockwise as one sees them.

    Attributes
    ----------
    corners_px : ndarray, shape (4, 2)
        Where the sides meet; corner k begins side k.
    side : ndarray of int, shape (n,)
    point_px : ndarray, shape (n, 2)
    """

    corners_px: Array
    side: NDArray[np.int_]
    point_px: Array


def find_paper(photo: Photo, small: NDArray[np.uint8], paper: Paper) -> Scale:
    """Find a sheet of paper and solve the camera's pose.

    ``small`` is the photo shrunk.  Raises PhotoError ``no-reference``, and ``reference-unclear`` where only a sheet of
    other proportions shows.
    """
    found = find_sides(photo, small)
    if not found:
        raise PhotoError(
            "no-reference",
            "No sheet of paper can be found in the photo.",
            "Lay the key on it, on a surface of another colour, with all four corners in the picture.",
        )
    for sides in found:
        scale = _scale_of_sides(photo, sides, paper)
        if scale is not None:
            return scale
    raise PhotoError(
        "reference-unclear",
        f"What looks like a sheet of paper has not the proportions of {paper.name}.",
        f"Tell the right size with --paper ({', '.join(PAPERS)}).",
    )


def find_paper_at(photo: Photo, small: NDArray[np.uint8], paper: Paper, corners_px: Array, u_px: float) -> Scale:
    """The scale from a sheet whose corners (4, 2) were pointed at: from its sides near them or, unseen, the corners."""
    sides = _sides(photo.pixels, in_turn(corners_px), photo.width_px / small.shape[1])
    near = sides is not None and np.abs(sides.corners_px - in_turn(corners_px)).max() < POINTED_U * u_px
    scale = _scale_of_sides(photo, sides, paper) if sides is not None and near else None
    if scale is not None:
        return scale
    body = Body(SIDE_LOG_U, THICKNESS_MM, LIFTED_U_MM)
    return scale_at_corners(photo, "paper", _plan_mm(paper), body, corners_px, u_px)


def shows_paper(photo: Photo, small: NDArray[np.uint8]) -> bool:
    """Whether something of a sheet's proportions shows."""
    found = find_sides(photo, small)
    return any(_scale_of_sides(photo, sides, paper) is not None for sides in found for paper in PAPERS.values())


def find_sides(photo: Photo, small: NDArray[np.uint8]) -> list[Sides]:
    """Four-sided figures whose sides are seen along most of their length, the largest first."""
    figures = card_search.propose_quads(card_search.find_lines(small), ASPECT)
    area = np.array([cv2.contourArea(one.astype(np.float32)) for one in figures])
    size = small.shape[0] * small.shape[1]
    large = [k for k in np.argsort(-area) if area[k] > LEAST_SHARE * size][:MOST_FIGURES]
    factor = photo.width_px / small.shape[1]
    found = [_sides(photo.pixels, (figures[k] + 0.5) * factor - 0.5, factor) for k in large]
    return [one for one in found if one is not None]


def _sides(pixels: NDArray[np.uint8], corners_px: Array, factor: float) -> Sides | None:
    """The sides near four corners in turn; None where one of them isn't seen.

    ``factor`` is the photo's size over the shrunk one's.
    """
    lines, sides, points = [], [], []
    for k in range(4):
        seen = _side(pixels, corners_px[k], corners_px[(k + 1) % 4], NEAR_PX * factor)
        if seen is None:
            return None
        along, off = _turned(seen, corners_px[k], corners_px[(k + 1) % 4]).T
        lines.append(np.polyfit(along, off, 1))
        sides.append(np.full(len(seen), k))
        points.append(seen)
    corners = np.array([_crossing(corners_px, lines, k) for k in range(4)])
    return Sides(corners, np.concatenate(sides), np.concatenate(points))


def _side(pixels: NDArray[np.uint8], first: Array, last: Array, near_px: float) -> Array | None:
    """Points of the boldest edge along a side, shape (n, 2); None where too few lie on one curve."""
    length = float(np.linalg.norm(last - first))
    along = (last - first) / length
    across = np.array([-along[1], along[0]])
    share = np.linspace(CORNER_PART, 1 - CORNER_PART, STATIONS)
    base = first + share[:, None] * (last - first)
    reach = max(REACH_PART * length, 2 * near_px)
    step = np.linspace(-1.0, 1.0, STEPS)
    slope = slopes_between(pixels, base, base + reach * across, step)
    at = np.clip(slope.argmax(axis=1), 1, STEPS - 2)
    height = slope[np.arange(STATIONS), at]
    clear = height > max(CLEAR * float(np.median(height)), LEAST_SLOPE)
    if clear.sum() < SEEN * STATIONS:
        return None
    off = _peak(slope, at, step) * reach
    on = _on_curve(share, off, clear, near_px)
    if on.sum() < SEEN * STATIONS:
        return None
    return np.asarray((base + off[:, None] * across)[on])


def _peak(slope: Array, at: NDArray[np.int_], step: Array) -> Array:
    """Place of each station's strongest edge, between samples by a parabola."""
    rows = np.arange(len(at))
    before, here, after = (slope[rows, at + k] for k in (-1, 0, 1))
    bend = np.minimum(before - 2 * here + after, -1e-9)
    return np.asarray(step[at] + np.clip(0.5 * (before - after) / bend, -1, 1) * (step[1] - step[0]))


def _on_curve(share: Array, off: Array, clear: NDArray[np.bool_], near_px: float) -> NDArray[np.bool_]:
    """Which stations lie on the curve that most of the clear ones make."""
    kept = clear.copy()
    for limit in (4.0, 2.0, 1.0, 1.0):
        curve = np.polyfit(share[kept], off[kept], CURVE)
        away = np.abs(off - np.polyval(curve, share))
        middle = np.quantile(away[clear], 0.5)
        kept = clear & (away <= max(limit * near_px, middle))
    return np.asarray(clear & (away < near_px))


def _turned(points: Array, first: Array, last: Array) -> Array:
    """Points as places along and off the line from one corner to the next."""
    along = (last - first) / np.linalg.norm(last - first)
    return np.asarray((points - first) @ np.array([along, [-along[1], along[0]]]).T)


def _crossing(corners_px: Array, lines: list[Array], k: int) -> Array:
    """Where the lines through the sides before and after corner k meet."""
    ends = []
    for side in (k - 1, k):
        first, last = corners_px[side % 4], corners_px[(side + 1) % 4]
        along = (last - first) / np.linalg.norm(last - first)
        slope, level = lines[side % 4]
        across = np.array([-along[1], along[0]])
        ends.append((first + level * across, along + slope * across))
    (one, way), (two, other) = ends
    reach = np.linalg.solve(np.column_stack([way, -other]), two - one)[0]
    return np.asarray(one + reach * way)


def _scale_of_sides(photo: Photo, sides: Sides, paper: Paper) -> Scale | None:
    """The scale from the sides of a sheet; None where they have not its proportions."""
    lenses = lenses_of(photo)
    turn = turn_of(_plan_mm(paper), sides.corners_px, lenses)
    good = [one for lens in lenses if _is_sheet(one := _fitted(sides, turn, paper, lens))]
    if not good:
        return None
    known = focal_source(photo, "estimated" if photo.whole else "assumed")
    return scale_of(good, "paper", known, outline_of(_plan_mm(paper)))


def _fitted(sides: Sides, turn: int, paper: Paper, lens: Lens) -> PoseFit:
    """The camera that sees the sides where they are."""
    plan = _plan_mm(paper)
    start = start_on_plane(plan, np.roll(sides.corners_px, -turn, axis=0), lens)
    normal = card.SIDE_NORMALS[(sides.side - turn) % 4]
    half = np.array([paper.long_mm, paper.short_mm]) / 2
    px_per_mm = start.focal_px / start.translation_mm[2]
    u_mm = TOGETHER * float(np.hypot(EDGE_U_PX / px_per_mm, EDGE_U_MM))

    def residual(guess: Guess) -> Array:
        seen = guess.camera.on_height(sides.point_px, guess.thickness_mm)
        stretched = half * guess.size * np.exp(np.array([0.5, -0.5]) * guess.extra[0])
        return np.asarray((np.sum(seen * normal, axis=1) - np.abs(normal) @ stretched) / u_mm)

    body = Body(SIDE_LOG_U, THICKNESS_MM, LIFTED_U_MM)
    return fit(Model(body, (FREE_RAD,) * 3, np.array([SIDE_LOG_U]), residual), start, lens)


def _is_sheet(found: PoseFit) -> bool:
    """Whether the sides have the sheet's proportions and lie where its do: other figures' corners are not square."""
    off = found.model.residual(found.guess)
    return bool(abs(found.guess.extra[0]) < WRONG_U * SIDE_LOG_U and np.sqrt(np.mean(off**2)) < 1.0)


def _plan_mm(paper: Paper) -> Array:
    """Corners of the sheet, counter-clockwise seen from above; corner k begins side k, the first one long."""
    return np.asarray((card.SIDE_NORMALS - card.SIDE_TANGENTS) * np.array([paper.long_mm, paper.short_mm]) / 2)
