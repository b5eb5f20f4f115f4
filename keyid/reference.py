"""Which reference lies in the photo, and the scale that it gives."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyid import card_search
from keyid.card_scale import find_card, find_card_at
from keyid.coin import Coin
from keyid.coin_scale import find_coin, find_coin_at, find_disc
from keyid.corner_scale import in_turn
from keyid.errors import PhotoError
from keyid.photo import Photo
from keyid.ruler_scale import find_ruler
from keyid.scale import Scale
from keyid.sheet_scale import MIN_MARKERS, find_markers, find_sheet
from keyid.told import Told

MAX_TILT_DEG = 36.0  # beyond, a card's far half is too coarse and its rims merge
DISAGREE = 0.015  # of a coin's width, seen beside a card: wear, rim and the card's tilt make up to 1 %
MISSED = ("no-reference", "reference-cut-off")  # then another reference may be there
LEAST_SIDE_PX = 60.0  # of corners that were pointed at: nearer ones give no scale
LEAST_SINE = 0.5  # of the angle at each: 36 degrees of tilt shear a right angle by up to 35
DARK_LEVEL = 24  # grey level that a hundredth of the picture exceeds


def find_scale(photo: Photo, told: Told | None = None) -> Scale:
    """Find the reference in the photo and solve the camera's pose.

    Raises PhotoError ``no-reference``, ``reference-unclear``, ``reference-cut-off``, ``too-tilted``, ``too-dark``.
    """
    told = told or Told()
    small, _ = card_search.shrink(photo.pixels)
    if np.percentile(small, 99) < DARK_LEVEL:
        raise PhotoError("too-dark", "The photo is too dark to see what lies in it.", "Take it again in more light.")
    scale = _find(photo, small, told)
    if scale.camera.tilt_deg > MAX_TILT_DEG:
        raise PhotoError(
            "too-tilted",
            "The photo was taken too much from the side.",
            "Hold the phone level above the key and what lies beside it.",
        )
    return scale


def _find(photo: Photo, small: NDArray[np.uint8], told: Told) -> Scale:
    """The scale from the reference that was told, or else from the first that is there."""
    if told.pointed.corners_px is not None:
        return _at_corners(photo, small, told, np.array(told.pointed.corners_px))
    if told.coin is not None and told.reference is None:
        return _with_coin(photo, small, told.coin)
    if told.reference == "coin":
        if told.coin is None:
            raise _untold_coin()
        return find_coin(photo, small, told.coin)
    if told.reference == "ruler":
        return find_ruler(photo)
    if told.reference == "id1-card":
        return find_card(photo, small)
    if told.reference == "sheet" or len(find_markers(small)[0]) >= MIN_MARKERS:
        return find_sheet(photo, told.bar_mm)
    return _first(photo, small)


def _at_corners(photo: Photo, small: NDArray[np.uint8], told: Told, corners_px: NDArray[np.float64]) -> Scale:
    """The scale from the reference that was pointed at: a bank card, unless another kind was told."""
    if told.reference == "ruler":
        return find_ruler(photo, corners_px)
    if told.reference == "coin" or (told.reference is None and told.coin is not None):
        if told.coin is None:
            raise _untold_coin()
        return find_coin_at(photo, corners_px, told.coin)
    _check_corners(corners_px)
    return find_card_at(photo, small, corners_px, told.pointed.u_px)


def _check_corners(corners_px: NDArray[np.float64]) -> None:
    """Refuse four points that no rectangle seen from above can have as corners."""
    around = in_turn(corners_px)
    sides = np.roll(around, -1, axis=0) - around
    after = np.roll(sides, -1, axis=0)
    length = np.linalg.norm(sides, axis=1)
    turn = np.abs(sides[:, 0] * after[:, 1] - sides[:, 1] * after[:, 0])
    if length.min() < LEAST_SIDE_PX or np.any(turn < LEAST_SINE * length * np.roll(length, -1)):
        raise PhotoError(
            "reference-unclear",
            "The four corners that were pointed at are not those of a rectangle seen from above.",
            "Point at the four corners of the reference, each where two of its sides meet.",
        )


def _with_coin(photo: Photo, small: NDArray[np.uint8], coin: Coin) -> Scale:
    """The scale from a coin or, where a card lies there too and agrees with it, from the card, which is surer."""
    by_coin = find_coin(photo, small, coin)
    try:
        by_card = find_card(photo, small)
    except PhotoError as error:
        if error.code not in MISSED:
            raise
        return by_coin
    plan = by_card.camera.on_height(by_coin.outline_px, coin.thickness_mm)
    seen_mm = 2 * float(np.linalg.norm(plan - plan.mean(axis=0), axis=1).mean())
    if abs(seen_mm / coin.diameter_mm - 1) > DISAGREE:
        raise PhotoError(
            "reference-unclear",
            f"By the bank card the coin is {seen_mm:.1f} mm wide, not {coin.diameter_mm:g} mm.",
            "Tell the right coin, or choose one of the two with --reference card or --reference coin.",
        )
    return by_card


def _first(photo: Photo, small: NDArray[np.uint8]) -> Scale:
    """The scale from a card or, where there is none, a ruler."""
    try:
        return find_card(photo, small)
    except PhotoError as error:
        if error.code not in MISSED:
            raise
        no_card = error
    try:
        return find_ruler(photo)
    except PhotoError as error:
        if error.code not in MISSED:
            raise
    if no_card.code == "no-reference" and find_disc(photo, small) is not None:
        raise _untold_coin()
    raise no_card


def _untold_coin() -> PhotoError:
    """Coins of many countries are nearly alike."""
    return PhotoError(
        "reference-unclear",
        "A coin seems to be the only thing of known size in this photo, and which coin it is can't be seen.",
        "Tell its diameter in mm or its name, for example with --coin 24.26 or --coin 'US quarter'.",
    )
