"""The scale from four corners of a flat rectangle, such as a person points at where its sides can't be seen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from keyid.photos.photo import Photo
from keyid.scales.lens import Lens, focal_source, lenses_of
from keyid.scales.pose_fit import Body, Guess, Model, PoseFit, fit, scale_of, start_on_plane
from keyid.scales.scale import Scale
from keyid.scales.told import ReferenceKind

Array = NDArray[np.float64]

FREE_RAD = 10.0  # no prior for the turn


def in_turn(corners_px: Array) -> Array:
    """Four corners (4, 2) in the order in which one meets them walking round counter-clockwise, as one sees them."""
    away = corners_px - corners_px.mean(axis=0)
    return np.asarray(corners_px[np.argsort(-np.arctan2(away[:, 1], away[:, 0]))])


def scale_at_corners(
    photo: Photo, kind: ReferenceKind, plan_mm: Array, body: Body, corners_px: Array, u_px: float
) -> Scale:
    """Pose the camera over a rectangle by its corners alone.

    Parameters
    ----------
    photo : Photo
    kind : str
        What the rectangle is.
    plan_mm : ndarray, shape (4, 2)
        Its corners, counter-clockwise seen from above, the first side long.
    body : Body
    corners_px : ndarray, shape (4, 2)
        As pointed at, in any order.
    u_px : float
        Standard uncertainty of each coordinate; what it does is the variations' source "pointing".
    """
    lenses = lenses_of(photo)
    seen = in_turn(corners_px)
    seen = np.roll(seen, -turn_of(plan_mm, seen, lenses), axis=0)
    fits = [_posed(plan_mm, seen, body, u_px, lens) for lens in lenses]
    scale = scale_of(fits, kind, focal_source(photo, "assumed"), outline_of(plan_mm))
    by_hand = tuple(replace(one, source="pointing") if one.source == "pose" else one for one in scale.variations)
    return replace(scale, variations=by_hand)


def turn_of(plan_mm: Array, corners_px: Array, lenses: tuple[Lens, ...]) -> int:
    """Which of the first two corners begins a long side: that under which a camera sees all four where they are."""
    flat = np.column_stack([plan_mm, np.zeros(4)])

    def misfit(turn: int) -> float:
        seen = np.roll(corners_px, -turn, axis=0)
        cameras = (start_on_plane(plan_mm, seen, lens) for lens in lenses)
        return min(float(np.abs(camera.project(flat) - seen).max()) for camera in cameras)

    return min((0, 1), key=misfit)


def _posed(plan_mm: Array, corners_px: Array, body: Body, u_px: float, lens: Lens) -> PoseFit:
    """The camera that sees the corners there."""
    flat = np.column_stack([plan_mm, np.zeros(4)])

    def residual(guess: Guess) -> Array:
        seen = guess.camera.project(flat * guess.size + [0.0, 0.0, guess.thickness_mm])
        return np.asarray(((seen - corners_px) / u_px).ravel())

    start = start_on_plane(plan_mm, corners_px, lens)
    return fit(Model(body, (FREE_RAD,) * 3, np.zeros(0), residual), start, lens)


def outline_of(plan_mm: Array) -> Callable[[PoseFit], Array]:
    """How the outline of a fit to a rectangle is made."""

    def outline(found: PoseFit) -> Array:
        guess = found.guess
        return guess.camera.project(np.column_stack([plan_mm * guess.size, np.full(4, guess.thickness_mm)]))

    return outline
