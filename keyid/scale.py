"""The scale of a photo: the camera's pose over the table, from a reference of known size."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyid import card, card_edges, card_fit, card_search
from keyid.camera import Camera
from keyid.card_fit import Fit, Lens
from keyid.card_measure import measure, overruns, round_corners
from keyid.errors import PhotoError
from keyid.photo import Photo

ReferenceKind = Literal["id1-card", "ruler", "coin", "sheet", "paper", "blank", "none"]
FocalSource = Literal["exif", "estimated", "assumed"]

FILM_DIAGONAL_MM = 43.27  # of 36 x 24 mm, which the 35 mm equivalent focal length refers to
EXIF_FOCAL_U = 0.015  # EXIF rounds to a whole mm (1.2 % at 24 mm), and lenses differ from their nominal by about 1 %
MAIN_35MM, ZOOM_35MM = 26.0, 50.0  # phones' main cameras have 23 to 28 mm, twofold zooms 46 to 56 (common practice)
MAIN_ODDS = 0.65  # most photos are taken with the main camera (common practice, no source)
KIND_U = 0.05  # within a kind
CROP_35MM, CROP_FOCAL_U = 38.0, 0.6  # of a crop, which lengthens it, or a screenshot, whose bars shorten it
CENTRE_U = 0.003  # of the long side: how lenses sit over sensors, and stabilisers
CROP_CENTRE_U = 0.10  # crops put the axis 3 to 6 degrees off the middle
K1_U = 0.03  # residual distortion of phones' pictures (common practice)
MAX_TILT_DEG = 36.0  # beyond, a card's far half is too coarse and its rims merge
DARK_LEVEL = 24  # grey level that a hundredth of the picture exceeds
NEAR_PX = 2.0  # a station this near to the fitted rim counts as seen
MIN_SEEN = 0.7  # of the three best sides together
MAX_COST = 25.0  # cards in the rendered photos fit with 15 or less, other figures mostly with 30 or more
WELL_SEEN = 0.9  # of all sides: then two round corners are enough, else three: a finger or a key hides one
MAX_OVERRUNS = 1  # of eight ends: a key or a ruled line may lie in the line of a side
MIN_SIDE_SEEN = 0.2  # three sides alone fit a card of any size: then its four corners must be seen
UNSEEN_COST = 0.5  # log odds against each station that a fit leaves unexplained; neighbours go together
FIXED_U = 1e-3  # of the logarithm: as good as fixed
RIVAL_ODDS = 0.02  # a less likely kind of lens isn't worth a word
SOURCES = (
    *("reference size", "reference size", "reference thickness", "focal length"),
    *("principal point", "principal point", "distortion"),
    *("pose",) * 6,
)


@dataclass(frozen=True)
class Variation:
    """The camera as it would be if one input were one standard uncertainty off.

    The variations of a scale are independent of each other, so that the standard uncertainty of any length L that
    depends on the camera is the root of the sum of (L(variation) - L(camera))^2 (JCGM 100:2008, 5.1).

    Attributes
    ----------
    source : str
        The uncertainty budget's line: "reference size", "reference thickness", "focal length",
        "principal point", "distortion", "pose".
    camera : Camera
        The camera, solved again with that input moved.
    """

    source: str
    camera: Camera


@dataclass(frozen=True)
class Scale:
    """The camera over the table, and how sure.

    Attributes
    ----------
    reference : str
        What the scale was taken from.
    camera : Camera
        Best estimate.
    focal : str
        Where the focal length comes from: the file, the reference's perspective, or an assumption.
    variations : tuple of Variation
        Independent one-standard-uncertainty changes.
    outline_px : ndarray, shape (n, 2)
        The reference's outline in the upright photo (its top face), closed, for masking and drawing.
    thickness_mm : float
        The reference's nominal thickness: its top face is that high over the table.
    rival : Scale or None
        The same under the other kind of lens, when neither EXIF nor the reference tells which: a later stage that sees
        more, such as the two rims of a blade, may decide.  Its odds are part of the variations.
    rival_probability : float
        Of the rival, as far as the reference tells.
    """

    reference: ReferenceKind
    camera: Camera
    focal: FocalSource
    variations: tuple[Variation, ...]
    outline_px: NDArray[np.float64]
    thickness_mm: float
    rival: Scale | None = None
    rival_probability: float = 0.0


def find_scale(photo: Photo) -> Scale:
    """Find the reference in the photo and solve the camera's pose.

    Raises PhotoError ``no-reference``, ``reference-unclear``, ``reference-cut-off``, ``too-tilted``, ``too-dark``.
    """
    small, _ = card_search.shrink(photo.pixels)
    if np.percentile(small, 99) < DARK_LEVEL:
        raise PhotoError("too-dark", "The photo is too dark to see the card's edges.", "Take it again in more light.")
    fits = _find_card(photo.pixels, small, _lenses(photo))
    camera = fits[0].camera
    if camera.tilt_deg > MAX_TILT_DEG:
        raise PhotoError(
            "too-tilted", "The photo was taken too much from the side.", "Hold the phone level above the card."
        )
    if photo.focal_35mm is not None:
        return _scale_of(fits[0], "exif")
    return _undecided(fits) if len(fits) > 1 else _scale_of(fits[0], "estimated" if photo.whole else "assumed")


def _lenses(photo: Photo) -> tuple[Lens, ...]:
    """What may be known of the camera before the card is measured, in pixels of the photo, likeliest first."""
    centre = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    long_side = max(photo.width_px, photo.height_px)
    px_per_35mm = float(np.hypot(photo.width_px, photo.height_px)) / FILM_DIAGONAL_MM
    if not photo.whole:
        return (Lens(CROP_35MM * px_per_35mm, CROP_FOCAL_U, centre, CROP_CENTRE_U * long_side, K1_U),)
    if photo.focal_35mm is not None:
        return (Lens(photo.focal_35mm * px_per_35mm, EXIF_FOCAL_U, centre, CENTRE_U * long_side, K1_U),)
    kinds = ((MAIN_35MM, MAIN_ODDS), (ZOOM_35MM, 1 - MAIN_ODDS))
    return tuple(Lens(f * px_per_35mm, KIND_U, centre, CENTRE_U * long_side, K1_U, odds) for f, odds in kinds)


def _find_card(pixels: NDArray[np.uint8], small: NDArray[np.uint8], lenses: tuple[Lens, ...]) -> list[Fit]:
    """Fits to the first place that turns out to be a card, one for each lens that it allows, best first."""
    factor = small.shape[1] / pixels.shape[1]
    focals = tuple(lens.focal_px * factor * share for lens in lenses for share in _spread(lens))
    for proposal in card_search.propose(small, focals):
        found = [fit for lens in lenses if (fit := measure(pixels, small, proposal, lens)) is not None]
        found.sort(key=_log_evidence, reverse=True)
        if found and _is_card(pixels, found[0]):
            return [found[0], *(fit for fit in found[1:] if _is_card(pixels, fit))]
    if card_search.leaves_picture(small):
        raise PhotoError(
            "reference-cut-off",
            "The card leaves the picture, so its size can't be measured.",
            "Take the photo again with the whole card and the whole key in the picture.",
        )
    raise PhotoError(
        "no-reference",
        "No bank card can be found in the photo.",
        "Lay a bank card flat beside the key, with all four corners in the picture.",
    )


def _spread(lens: Lens) -> tuple[float, ...]:
    """Shares of a lens's focal length to consider in the search, whose tolerance is about a tenth."""
    return (1.0,) if lens.focal_log_u < KIND_U * 2 else (np.exp(-lens.focal_log_u), 1.0, np.exp(lens.focal_log_u))


def _is_card(pixels: NDArray[np.uint8], found: Fit) -> bool:
    """Whether a card's sides are seen along most of their length, fit its size, and meet in round corners."""
    near = np.abs(found.residual_px) < NEAR_PX
    share = np.bincount(found.points.side, near, 4) / card_edges.STATIONS
    round_ones, sharp_ones = round_corners(pixels, found)
    seen = np.sort(share)[1:].mean() > MIN_SEEN
    beyond = overruns(pixels, found)
    needed = 4 if share.min() < MIN_SIDE_SEEN else 2 if share.mean() > WELL_SEEN and beyond == 0 else 3
    looks = round_ones >= needed and sharp_ones == 0 and beyond <= MAX_OVERRUNS
    return bool(seen and found.cost < MAX_COST and looks)


def _scale_of(found: Fit, focal: FocalSource) -> Scale:
    """The scale that a fit stands for."""
    outline = found.camera.project(card.outline_mm())
    return Scale("id1-card", found.camera, focal, _variations(found), outline, card.THICKNESS_MM)


def _undecided(fits: list[Fit]) -> Scale:
    """The likelier of two kinds of lens, with the other as rival and in the uncertainty."""
    odds = np.array([_log_evidence(fit) for fit in fits])
    weight = np.exp(odds - odds.max())
    weight /= weight.sum()
    best = int(np.argmax(weight))
    other = float(weight[1 - best])
    if other < RIVAL_ODDS:
        return _scale_of(fits[best], "estimated")
    scale, rival = _scale_of(fits[best], "assumed"), _scale_of(fits[1 - best], "assumed")
    aside = Variation("focal length", _toward(fits[best], rival.camera.focal_px, np.sqrt(other)))
    return replace(scale, variations=(*scale.variations, aside), rival=rival, rival_probability=other)


def _log_evidence(found: Fit) -> float:
    """Log of a lens's probability given the card, up to a constant."""
    hidden = 4 * card_edges.STATIONS - len(found.points.side)
    return float(np.log(found.lens.odds)) - found.cost - UNSEEN_COST * hidden


def _toward(found: Fit, focal_px: float, share: float) -> Camera:
    """The camera solved again with its focal length moved part of the way to another."""
    log_focal = np.log(found.camera.focal_px) * (1 - share) + np.log(focal_px) * share
    lens = replace(found.lens, focal_px=float(np.exp(log_focal)), focal_log_u=FIXED_U)
    return card_fit.fit(found.points, found.camera, lens, found.shifts).camera


def _variations(found: Fit) -> tuple[Variation, ...]:
    """Independent one-standard-uncertainty moves: the columns of the covariance's Cholesky factor.

    The parameters stand in the order of cause: what is known beforehand first, the pose last.  So each column moves
    one of them by its standard uncertainty given the earlier ones, and the later ones follow as a new fit would.
    """
    columns = np.linalg.cholesky(found.covariance[card_fit.CAMERA, card_fit.CAMERA]).T
    moved = [found.values + np.concatenate([column, np.zeros(card_fit.COUNT - len(column))]) for column in columns]
    return tuple(
        Variation(source, card_fit.camera_of(found.start, values))
        for source, values in zip(SOURCES, moved, strict=True)
    )
