"""The scale from a coin of told size.

A circle seen from aside is an ellipse.  Its flatness gives the camera's tilt, but only roughly where the tilt is small,
and not to which of two sides.  Straight lines around tell more.  Both sides are fitted, and what stays open is part of
the uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales import coin_search, parallels
from keyid.scales.camera import Camera
from keyid.scales.coin import Coin
from keyid.scales.coin_rim import Rim, find_rim, wholeness
from keyid.scales.coin_search import Ellipse
from keyid.scales.lens import Lens, focal_source, lenses_of
from keyid.scales.parallels import Lines
from keyid.scales.pose_fit import Body, Guess, Model, PoseFit, fit, scale_of
from keyid.scales.scale import Scale

Array = NDArray[np.float64]

DIAMETER_U_MM = 0.05  # wear and making: mints state no limits; coins of one kind differ by about that (from memory)
RIM_U_MM = 0.05  # of one station's edge: relief, glints and the table's texture
SHIFT_MM, SHIFT_U_MM = -0.05, 0.03  # the rim is rounded: its edge appears inside; blur and sharpening move it too
SHADE_U_MM = 0.02  # light from one side moves it differently to the sides
TILT_U = np.sin(np.radians(12.0))  # people hold the camera about that level (common practice, no source)
YAW_U_RAD = 1e-3  # a coin looks the same however it is turned: the world's x axis is held
LEAST_TILT_RAD = np.radians(5.0)  # smaller ones are started from that: at 0 the two sides can't part
SAME_TILT_RAD = np.radians(1.0)  # two solutions nearer than that are one
TURN_U_RAD = 0.05  # of the lines' direction: a start that is some degrees off tilts it by that
WIDENED = 1.15  # the outline inside which lines are the coin's own or its shadow's
OUTLINE_POINTS = 96
MOST_DISCS = 4  # round figures that are looked at closely
STANDS_OUT = 0.4  # rims of 85 coins have 0.66 to 3.8, figures of bare grain at most 0.2
WHOLE = 0.93  # of the rim must show: coins in the rendered photos have 0.98 and more, most heads 0.94 or less


def find_coin(photo: Photo, small: NDArray[np.uint8], coin: Coin) -> Scale:
    """Find a coin in the photo and solve the camera's pose.

    ``small`` is the photo shrunk.  Raises PhotoError ``no-reference``.
    """
    found = find_disc(photo, small)
    if found is None:
        raise PhotoError(
            "no-reference",
            "No coin can be found in the photo.",
            "Lay the coin flat beside the key, not touching it, on a plain surface.",
        )
    return _scale_of_rim(photo, found, coin)


def find_coin_at(photo: Photo, rim_px: Array, coin: Coin) -> Scale:
    """The scale from a coin around whose rim points (n, 2) were pointed at; the rim near them is measured."""
    centre, radius = cv2.minEnclosingCircle(rim_px.astype(np.float32))
    coarse = Ellipse((float(centre[0]), float(centre[1])), (float(radius), float(radius)), 0.0, 1.0)
    return _scale_of_rim(photo, find_rim(photo.pixels, coarse), coin)


def _scale_of_rim(photo: Photo, rim: Rim, coin: Coin) -> Scale:
    """The scale from a coin's rim."""
    lines = parallels.find_lines(photo, _widened(rim.ellipse).points(OUTLINE_POINTS))
    fits = [one for lens in lenses_of(photo) for one in _both_sides(rim, lines, coin, lens)]
    return scale_of(fits, "coin", focal_source(photo, "assumed"), _outline_of(coin))


def find_disc(photo: Photo, small: NDArray[np.uint8]) -> Rim | None:
    """The rim of the likeliest coin; None where nothing is round all the way."""
    factor = photo.width_px / small.shape[1]
    coarse = coin_search.find_ellipses(small)[:MOST_DISCS]
    rims = [find_rim(photo.pixels, one.resized(factor)) for one in coarse]
    rims = [rim for rim in rims if rim.bold > STANDS_OUT]
    whole = [wholeness(photo.pixels, rim.ellipse) for rim in rims]
    best = max(range(len(rims)), key=lambda k: whole[k], default=None)
    return None if best is None or whole[best][0] < WHOLE else rims[best]


def _widened(ellipse: Ellipse) -> Ellipse:
    """The ellipse with the coin's wall and shadow."""
    long, short = ellipse.axes_px
    return replace(ellipse, axes_px=(WIDENED * long, WIDENED * short))


def _both_sides(rim: Rim, lines: Lines, coin: Coin, lens: Lens) -> list[PoseFit]:
    """The coin's pose for tilts to either side; one where they can't be told apart."""
    starts = [_start(rim.ellipse, coin, lens, side) for side in (-1, 1)]
    one, two = (fit(_model(rim, lines, parallels.main_direction(lines, s), coin), s, lens) for s in starts)
    apart = np.arccos(np.clip(one.camera.rotation[2] @ two.camera.rotation[2], -1, 1))
    return [one, two] if apart > SAME_TILT_RAD else [min(one, two, key=lambda found: found.cost)]


def _model(rim: Rim, lines: Lines, direction_rad: float, coin: Coin) -> Model:
    """Points of the upper rim lie on a circle of the coin's radius at its top's height; lines are mostly parallel.

    A rim that may be another curve is larger or smaller than the coin, or flatter in some direction, by that.
    """
    radius = coin.diameter_mm / 2
    unsure = radius * rim.unsure

    def residual(guess: Guess) -> Array:
        plan = guess.camera.on_height(rim.points_px, guess.thickness_mm)
        at = 2 * np.arctan2(plan[:, 1], plan[:, 0])
        shift, cos, sin, turn = guess.extra
        edge = radius * guess.size + SHIFT_MM + shift + cos * np.cos(at) + sin * np.sin(at)
        off = (np.linalg.norm(plan, axis=1) - edge) / RIM_U_MM
        askew = parallels.off_direction(lines, guess.camera, direction_rad + turn)
        return np.concatenate([off, askew, guess.camera.rotation[2, :2] / TILT_U])

    body = Body(DIAMETER_U_MM / coin.diameter_mm, coin.thickness_mm, coin.thickness_u_mm)
    far = 10.0  # rad: no prior, the tilt has its own
    shift_u, shade_u = (float(np.hypot(u, unsure)) for u in (SHIFT_U_MM, SHADE_U_MM))
    return Model(body, (far, far, YAW_U_RAD), np.array([shift_u, shade_u, shade_u, TURN_U_RAD]), residual)


def _start(ellipse: Ellipse, coin: Coin, lens: Lens, side: int) -> Camera:
    """The camera from the ellipse's centre, size and flatness, tilted to one side about its long axis."""
    long, short = ellipse.axes_px
    ray = np.array([*np.subtract(ellipse.centre_px, lens.centre_px) / lens.focal_px, 1.0])
    place = ray * lens.focal_px * coin.diameter_mm / 2 / long
    tilt = side * max(float(np.arccos(min(short / long, 1.0))), LEAST_TILT_RAD)
    down = ray / np.linalg.norm(ray)
    axis = np.array([np.cos(ellipse.angle_rad), np.sin(ellipse.angle_rad), 0.0])
    axis -= down * (axis @ down)
    axis /= np.linalg.norm(axis)
    up = -np.cos(tilt) * down + np.sin(tilt) * np.cross(axis, down)
    x = np.array([1.0, 0.0, 0.0]) - up * up[0]
    x /= np.linalg.norm(x)
    return Camera(lens.focal_px, lens.centre_px, 0.0, np.column_stack([x, np.cross(up, x), up]), place)


def _outline_of(coin: Coin) -> Callable[[PoseFit], Array]:
    """How a fit's outline is made."""
    at = np.arange(OUTLINE_POINTS) / OUTLINE_POINTS * 2 * np.pi
    ring = coin.diameter_mm / 2 * np.column_stack([np.cos(at), np.sin(at)])

    def outline(found: PoseFit) -> Array:
        guess = found.guess
        return guess.camera.project(np.column_stack([guess.size * ring, np.full(len(at), guess.thickness_mm)]))

    return outline
