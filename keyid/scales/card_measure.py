"""Measure a proposed card: pose the camera on the shrunk photo, then on the photo itself.

On the photo each side may show several edges.  `card_sides` decides which of them is which rim.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyid.scales import card, card_edges, card_fit, card_search
from keyid.scales.camera import Camera
from keyid.scales.card_edges import STATIONS, Profiles, SideEdges
from keyid.scales.card_fit import EdgePoints, Fit, Shifts
from keyid.scales.card_search import Proposal
from keyid.scales.card_sides import Choice, choices_of, decide
from keyid.scales.lens import Lens

Array = NDArray[np.float64]

COARSE_REACH_PX = (7.0, 5.0, 3.0)  # of the shrunk photo; bent sides are up to 6 px off a straight proposal
BLUR_PX = 1.0  # along the normal, as fine as the sampling allows
FINE_REACH_MM = (0.7, 0.4)  # a pixel of the shrunk photo is 0.15 to 0.4 mm
INWARD_MM = (1.6, 0.7)  # and a weaker edge that far inside may be the rim: a low lamp's shadow is two cards' thickness
MIN_SLOPE = 0.8  # grey levels per pixel: weaker edges aren't told from noise
EDGE_U_PX = 0.2  # scatter of stations along a side
SHIFT_MM = -0.025  # a rim is rounded: its edge appears that far inside
SHIFT_U_MM = 0.03  # blur, sharpening and shade move an edge by about that
TWIST_U_MM = 0.01  # and by that much differently at the two ends of a side
JOIN_MM = 0.06  # the flanks of a rounded rim count as one edge
JOIN_PX = 0.8
POLISH_ROUNDS = 3
TOGETHER = 2.0  # neighbouring stations err together: four of them count as one
FREE_FOCAL_U = 0.2  # a focal length less known than that starts where the proposal is most like a card
MIN_SIDES = 3  # a card's pose follows from three sides when the lens is known
MIN_STATIONS = 5  # of a side that counts as seen: a fifth of it


def measure(pixels: NDArray[np.uint8], small: NDArray[np.uint8], proposal: Proposal, lens: Lens) -> Fit | None:
    """Fit the camera to the card's rims.

    Parameters
    ----------
    pixels, small : ndarray of uint8
        The photo, and shrunk.
    proposal : Proposal
        In pixels of the shrunk photo.
    lens : Lens
        In pixels of the photo.

    Returns
    -------
    Fit or None
        None when fewer than three sides show an edge.
    """
    factor = small.shape[1] / pixels.shape[1]
    coarse = lens.resized(factor)
    free = lens.focal_log_u > FREE_FOCAL_U
    focal_px = proposal.focal_px if free else coarse.focal_px
    camera = card_search.pose(proposal.homography, focal_px, coarse.centre_px)
    for reach in COARSE_REACH_PX:
        found = _strongest(small, camera, coarse, reach)
        if found is None:
            return None
        camera = found.camera
    camera = card_fit.resized_camera(camera, 1 / factor)
    for reach_mm, inward_mm in zip(FINE_REACH_MM, INWARD_MM, strict=True):
        found = _rims(pixels, camera, lens, reach_mm, inward_mm)
        if found is None:
            return None
        camera = found.camera
    return found


def _strongest(pixels: NDArray[np.uint8], camera: Camera, lens: Lens, reach_px: float) -> Fit | None:
    """Fit to the strongest edge of each station, whatever it is."""
    profiles = card_edges.sample(pixels, camera, reach_px + 1, BLUR_PX, JOIN_PX)
    offset, height = card_edges.peak_near(profiles, np.zeros(len(profiles.side)), reach_px)
    keep = height > MIN_SLOPE
    if np.sum(np.bincount(profiles.side[keep], minlength=4) >= MIN_STATIONS) < MIN_SIDES:
        return None
    points = _points(profiles, offset, keep, np.zeros(len(keep), bool), np.full(len(keep), EDGE_U_PX))
    return card_fit.fit(points, camera, lens, Shifts(np.zeros(4), np.full(4, EDGE_U_PX), np.full(4, EDGE_U_PX)))


def _points(
    profiles: Profiles, offset: Array, keep: NDArray[np.bool_], low: NDArray[np.bool_], u_px: Array
) -> EdgePoints:
    """Edge points at an offset of each station that is kept."""
    place = (profiles.base_px + offset[:, None] * profiles.normal_px)[keep]
    return EdgePoints(
        profiles.side[keep], profiles.along_mm[keep], low[keep], place, profiles.normal_px[keep], u_px[keep]
    )


def _rims(pixels: NDArray[np.uint8], camera: Camera, lens: Lens, reach_mm: float, inward_mm: float) -> Fit | None:
    """Tell the edges of all sides apart and fit to the rims."""
    px_per_mm = camera.focal_px / camera.translation_mm[2]
    reach, inward = reach_mm * px_per_mm, inward_mm * px_per_mm
    join = join_px(camera)
    profiles = card_edges.sample(pixels, camera, reach + inward, BLUR_PX, join)
    sides = card_edges.side_edges(profiles, reach, inward)
    if sum(len(side.ridges) > 0 for side in sides) < MIN_SIDES:
        return None
    sharp = min(ridge.width_px for side in sides for ridge in side.ridges)
    choices = [choices_of(side, sharp) for side in sides]
    line = np.concatenate([side.line_px for side in sides])
    first = [ways[0] for ways in choices]
    alike = np.full(4, EDGE_U_PX)
    centre = line + _per_station([c.ridge.peak_px for c in first])
    found = _fit_near(profiles, sides, first, centre, np.zeros(4), alike, camera, lens)
    if found is None:
        return None
    corners = card_edges.sample_corners(pixels, camera, reach + inward, BLUR_PX, join)
    chosen, spread = decide(found, choices, sides, corners)
    centre, scatter = line + _per_station([c.ridge.peak_px for c in chosen]), alike
    for _ in range(POLISH_ROUNDS):
        found = _fit_near(profiles, sides, chosen, centre, spread, scatter, camera, lens)
        if found is None:
            return None
        centre, scatter = _expected(profiles, found, chosen), _scatter(found)
    return found


def join_px(camera: Camera) -> float:
    """Smoothing by which the flanks of a rounded rim become one edge, as a standard deviation."""
    return max(JOIN_MM * camera.focal_px / float(camera.translation_mm[2]), JOIN_PX)


def _scatter(found: Fit) -> Array:
    """Standard uncertainty of a station's edge on each side, from how the stations scatter about a fit."""
    squares = np.bincount(found.points.side, found.residual_px**2, 4)
    count = np.maximum(np.bincount(found.points.side, minlength=4), 1)
    return np.maximum(EDGE_U_PX, TOGETHER * np.sqrt(squares / count))


def _per_station(of_side: list[float]) -> Array:
    """A value of each side for each of its stations."""
    return np.repeat(np.array(of_side, dtype=float), STATIONS)


def _expected(profiles: Profiles, found: Fit, chosen: list[Choice]) -> Array:
    """Where a fit expects each station's edge."""
    rim = card.side_points_mm(profiles.side, profiles.along_mm)
    rim[np.repeat([choice.low for choice in chosen], STATIONS), 2] = 0.0
    away = found.camera.project(rim) - profiles.base_px
    shift = found.values[card_fit.SHIFT][profiles.side] + _per_station([c.ridge.peak_px - c.edge_px for c in chosen])
    return np.asarray(np.sum(away * profiles.normal_px, axis=1) + shift)


def _fit_near(
    profiles: Profiles,
    sides: tuple[SideEdges, ...],
    chosen: list[Choice],
    centre: Array,
    spread: Array,
    scatter: Array,
    camera: Camera,
    lens: Lens,
) -> Fit | None:
    """Fit to the edges nearest to a centre, read as chosen; None when fewer than three sides are seen."""
    edge, seen = card_edges.follow(profiles, centre, tuple(choice.ridge for choice in chosen))
    if np.sum(np.bincount(profiles.side[seen], minlength=4) >= MIN_STATIONS) < MIN_SIDES:
        return None
    offset = edge + _per_station([choice.edge_px - choice.ridge.peak_px for choice in chosen])
    low = np.repeat([choice.low for choice in chosen], STATIONS)
    density = np.array([side.px_per_mm for side in sides])
    own = np.array([choice.ridge.peak_px - choice.edge_px for choice in chosen]) / 2
    shifts = shifts_of(density, scatter, np.hypot(own, spread))
    return card_fit.fit(_points(profiles, offset, seen, low, scatter[profiles.side]), camera, lens, shifts)


def shifts_of(density: Array, scatter_px: Array, unsure_px: Array | float = 0.0) -> Shifts:
    """What is known of where each side's edge appears.

    Parameters
    ----------
    density : ndarray, shape (4,)
        Pixels per mm across each side.
    scatter_px : ndarray, shape (4,)
        Standard uncertainty of a station's edge on each side.
    unsure_px : ndarray, shape (4,)
        How uncertain it stays which of several edges the rim is.
    """
    u = np.sqrt((SHIFT_U_MM * density) ** 2 + unsure_px**2 + scatter_px**2)
    return Shifts(SHIFT_MM * density, u, np.hypot(TWIST_U_MM * density, scatter_px / 2))
