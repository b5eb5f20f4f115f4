"""Which reference lies in the photo, and the scale that it gives."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales import card_search
from keyid.scales.card_scale import find_card, find_card_at, find_card_by_colour, find_card_in_crop
from keyid.scales.coin import Coin
from keyid.scales.coin_scale import find_coin, find_coin_at, find_disc
from keyid.scales.corner_scale import in_turn
from keyid.scales.cross_check import check_ruler, together
from keyid.scales.paper import PAPERS, Paper
from keyid.scales.paper_scale import find_paper, find_paper_at, shows_paper
from keyid.scales.ruler_scale import find_marks_beside, find_ruler
from keyid.scales.scale import Scale
from keyid.scales.sheet_scale import MIN_MARKERS, find_markers, find_sheet
from keyid.scales.table_view import photo_px_per_mm
from keyid.scales.told import Told

MAX_TILT_DEG = 36.0  # beyond, a card's far half is too coarse and its rims merge
MISSED = ("no-reference", "reference-cut-off")  # then another reference may be there
LEAST_SIDE_PX = 60.0  # of corners that were pointed at: nearer ones give no scale
LEAST_SINE = 0.5  # of the angle at each: 36 degrees of tilt shear a right angle by up to 35
MIN_LONG_PX = 300  # a key alone is 60 mm long, and 4 pixels to a mm are needed, with room around: thumbnails have less
DARK_LEVEL = 24  # grey level that a hundredth of the picture exceeds


def find_scale(photo: Photo, told: Told | None = None) -> Scale:
    """Find the reference in the photo and solve the camera's pose.

    Raises PhotoError ``no-reference``, ``reference-unclear``, ``reference-cut-off``, ``too-tilted``, ``too-dark``,
    ``too-coarse``.
    """
    told = told or Told()
    if max(photo.width_px, photo.height_px) < MIN_LONG_PX:
        raise PhotoError(
            "too-coarse",
            f"This picture has only {photo.width_px} x {photo.height_px} pixels: too few to measure a key in.",
            "Ask for the original, sent as a file, not as a picture and no screenshot.",
        )
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
    if told.reference is not None:
        return _only(photo, small, told)
    card = _card(photo, small)
    found = [*_sheets(photo, small, told), *([card] if isinstance(card, Scale) else [])]
    if told.coin is not None:
        found.append(find_coin(photo, small, told.coin))
    if told.paper is not None:
        found.append(find_paper(photo, small, told.paper))
    if isinstance(card, PhotoError) and not found:
        return _ruler(photo, small, card)
    return _beside_marks(photo, together(found, told))


def _beside_marks(photo: Photo, scale: Scale) -> Scale:
    """A scale, checked by a ruler's marks where there are any."""
    return check_ruler(scale, find_marks_beside(photo, photo_px_per_mm(scale.camera)))


def _only(photo: Photo, small: NDArray[np.uint8], told: Told) -> Scale:
    """The scale from the kind of reference that was told, whatever else lies there."""
    if told.reference == "coin":
        return find_coin(photo, small, _told_coin(told))
    if told.reference == "paper":
        return find_paper(photo, small, _told_paper(told))
    if told.reference == "ruler":
        return find_ruler(photo)
    if told.reference == "id1-card":
        return _card_only(photo, small)
    return find_sheet(photo, told.bar_mm)


def _sheets(photo: Photo, small: NDArray[np.uint8], told: Told) -> list[Scale]:
    """The scale from the measuring sheet, where its markers show."""
    return [find_sheet(photo, told.bar_mm)] if len(find_markers(small)[0]) >= MIN_MARKERS else []


def _card(photo: Photo, small: NDArray[np.uint8]) -> Scale | PhotoError:
    """The scale from a bank card, or why there is none: another reference may be there."""
    try:
        return find_card(photo, small)
    except PhotoError as error:
        if error.code not in MISSED:
            raise
        return error


def _card_only(photo: Photo, small: NDArray[np.uint8]) -> Scale:
    """The scale from a bank card that is told to be there."""
    found = _card(photo, small)
    if isinstance(found, Scale):
        return found
    by_colour = find_card_by_colour(photo, small)
    if by_colour is None:
        raise found
    return by_colour


def _at_corners(photo: Photo, small: NDArray[np.uint8], told: Told, corners_px: NDArray[np.float64]) -> Scale:
    """The scale from the reference that was pointed at: a bank card, unless another kind was told."""
    if told.reference == "ruler":
        return find_ruler(photo, corners_px)
    if told.reference == "coin" or (told.reference is None and told.coin is not None):
        return find_coin_at(photo, corners_px, _told_coin(told))
    _check_corners(corners_px)
    if told.reference == "paper" or (told.reference is None and told.paper is not None):
        return find_paper_at(photo, small, _told_paper(told), corners_px, told.pointed.u_px)
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


def _ruler(photo: Photo, small: NDArray[np.uint8], no_card: PhotoError) -> Scale:
    """The scale from a ruler, where nothing else gives one; where there is none either, what to do."""
    try:
        ruler = find_ruler(photo)
        if ruler.camera.tilt_deg <= MAX_TILT_DEG:
            return ruler
    except PhotoError as error:
        if error.code not in MISSED:
            no_card = error  # wood grain and print may look like marks, too: told if nothing else gives a scale
        ruler = None
    by_colour = find_card_by_colour(photo, small)
    if by_colour is not None:
        return _beside_marks(photo, by_colour)
    if photo.whole:
        try:
            return find_card_in_crop(photo, small)
        except PhotoError as error:
            if error.code not in MISSED:
                raise
    if ruler is not None:
        return ruler  # too tilted: told as that
    if no_card.code == "no-reference" and find_disc(photo, small) is not None:
        raise _untold_coin()
    if no_card.code == "no-reference" and shows_paper(photo, small):
        raise _untold_paper()
    raise no_card


def _told_coin(told: Told) -> Coin:
    """The coin that was told."""
    if told.coin is None:
        raise _untold_coin()
    return told.coin


def _untold_coin() -> PhotoError:
    """Coins of many countries are nearly alike."""
    return PhotoError(
        "reference-unclear",
        "A coin seems to be the only thing of known size in this photo, and which coin it is can't be seen.",
        "Tell its diameter in mm or its name, for example with --coin 24.26 or --coin 'US quarter'.",
    )


def _told_paper(told: Told) -> Paper:
    """The sheet of paper that was told."""
    if told.paper is None:
        raise _untold_paper()
    return told.paper


def _untold_paper() -> PhotoError:
    """A4 and A5 have the same proportions."""
    return PhotoError(
        "reference-unclear",
        "A sheet of paper seems to be the only thing of known size in this photo, and its size can't be seen.",
        f"Tell it with --paper ({', '.join(PAPERS)}).",
    )
