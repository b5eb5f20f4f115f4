"""The scale from an ID-1 card."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from keyid.errors import PhotoError
from keyid.photos.photo import Photo
from keyid.scales import card, card_edges, card_fit, card_search
from keyid.scales.camera import Camera
from keyid.scales.card_fit import Fit
from keyid.scales.card_looks import is_card, is_seen
from keyid.scales.card_measure import measure
from keyid.scales.card_search import Proposal
from keyid.scales.corner_scale import in_turn, scale_at_corners
from keyid.scales.lens import KIND_U, Lens, lenses_of, lenses_of_crop
from keyid.scales.pose_fit import Body
from keyid.scales.scale import FocalSource, Scale, Variation

Array = NDArray[np.float64]

UNSEEN_COST = 0.5  # log odds against each station that a fit leaves unexplained; neighbours go together
FIXED_U = 1e-3  # of the logarithm: as good as fixed
POINTED_U = 4.0  # standard uncertainties of pointing within which rims belong to the corners that were pointed at
ROUNDED_MM = 1.4  # and people point at the round corner itself, that far inside where the sides meet
SPREAD, SPREAD_U = 7, 1.5  # focal lengths that are tried where it is open, within so many standard deviations
CROPPED_COST = 3.0  # log odds by which a crop must explain a card better than a whole photo: 111 whole have up to 2.0
RIVAL_ODDS = 0.02  # a less likely kind of lens isn't worth a word
SOURCES = (
    *("reference size", "reference size", "reference thickness", "focal length"),
    *("principal point", "principal point", "distortion"),
    *("pose",) * 6,
)


def find_card(photo: Photo, small: NDArray[np.uint8]) -> Scale:
    """Find a card in the photo and solve the camera's pose.

    ``small`` is the photo shrunk (`card_search.shrink`).  Raises PhotoError ``no-reference``, ``reference-cut-off``.
    """
    return scale_from_fits(photo, _fits(photo.pixels, small, lenses_of(photo)))


def find_card_in_crop(photo: Photo, small: NDArray[np.uint8]) -> Scale:
    """As `find_card`, in a photo that looks whole and shows no card then: one cropped to a camera's shape does so."""
    return replace(_scale_of(_fits(photo.pixels, small, lenses_of_crop(photo))[0], "assumed"), cropped=True)


def find_card_by_colour(photo: Photo, small: NDArray[np.uint8]) -> Scale | None:
    """The scale from a card whose sides show in colour where they are lost in brightness; None where there is none.

    The strongest edges beside a card on print, lines or grain are often not the card's.  Those that are neutral, as ink
    and shadows are, vanish with the brightness.
    """
    lenses = lenses_of(photo)
    tint = card_search.colour(small)
    layers = [card_search.brightness(small), *card_search.hues(tint)]
    focals = _focals_px(lenses, small.shape[1] / photo.width_px)
    for proposal in card_search.propose(layers, card_search.find_colour_lines(small), focals):
        ways = [_measured(photo.pixels, coarse, proposal, lenses) for coarse in (tint, small)]
        best = max(ways, key=lambda found: _log_evidence(found[0]) if found else -np.inf)
        if best and is_seen(best[0]):
            for picture in (card_search.colour(photo.pixels), photo.pixels):
                if cards := _cards(picture, best):
                    return scale_from_fits(photo, cards)
    return None


def scale_from_fits(photo: Photo, fits: list[Fit]) -> Scale:
    """The scale from fits to one card, one for each lens that it allows."""
    fits = sorted(fits, key=_log_evidence, reverse=True)
    if photo.whole:
        best = fits[0]
        ways = [card_fit.fit(best.points, best.camera, lens, best.shifts) for lens in lenses_of_crop(photo)]
        free = max(ways, key=_log_evidence)
        if best.cost - free.cost > CROPPED_COST:
            return replace(_scale_of(free, "assumed"), cropped=True)
    if photo.focal_35mm is not None:
        return _scale_of(fits[0], "exif")
    return _undecided(fits) if len(fits) > 1 else _scale_of(fits[0], "estimated" if photo.whole else "assumed")


def find_card_at(photo: Photo, small: NDArray[np.uint8], corners_px: Array, u_px: float) -> Scale:
    """The scale from a card whose corners (4, 2) were pointed at: from its rims near them or, unseen, the corners."""
    factor = small.shape[1] / photo.width_px
    lenses = lenses_of(photo)
    focals = tuple(lens.focal_px * factor for lens in lenses)
    proposal = card_search.propose_at((in_turn(corners_px) + 0.5) * factor - 0.5, focals, small.shape)
    fits = [fit for lens in lenses if (fit := measure(photo.pixels, small, proposal, lens)) is not None]
    near = [fit for fit in fits if is_seen(fit) and _is_near(fit, corners_px, u_px)]
    if near:
        return scale_from_fits(photo, near)
    body = Body(float(card.WIDTH_U_MM) / card.WIDTH_MM, card.THICKNESS_MM, float(card.THICKNESS_U_MM))
    return scale_at_corners(photo, "id1-card", card.corners_mm()[:, :2], body, corners_px, u_px)


def _is_near(found: Fit, corners_px: Array, u_px: float) -> bool:
    """Whether a fit's corners are those that were pointed at."""
    own = in_turn(found.camera.project(card.corners_mm()))
    density = found.camera.focal_px / found.camera.translation_mm[2]
    apart = min(np.abs(np.roll(own, turn, axis=0) - in_turn(corners_px)).max() for turn in range(4))
    return bool(apart < POINTED_U * u_px + ROUNDED_MM * density)


def _fits(pixels: NDArray[np.uint8], small: NDArray[np.uint8], lenses: tuple[Lens, ...]) -> list[Fit]:
    """Fits to the first place that turns out to be a card, one for each lens that it allows, best first."""
    focals = _focals_px(lenses, small.shape[1] / pixels.shape[1])
    lines = card_search.find_lines(small)
    for proposal in card_search.propose([card_search.brightness(small)], lines, focals):
        cards = _cards(pixels, _measured(pixels, small, proposal, lenses))
        if cards:
            return cards
    if card_search.leaves_picture(small, lines):
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


def _measured(
    pixels: NDArray[np.uint8], small: NDArray[np.uint8], proposal: Proposal, lenses: tuple[Lens, ...]
) -> list[Fit]:
    """Fits to a proposal, one for each lens under which enough sides show, best first."""
    found = [fit for lens in lenses if (fit := measure(pixels, small, proposal, lens)) is not None]
    return sorted(found, key=_log_evidence, reverse=True)


def _cards(pixels: NDArray[np.uint8], found: list[Fit]) -> list[Fit]:
    """Those fits to a proposal that are a card's by a picture's edges; none unless the best is."""
    if not found or not is_card(pixels, found[0]):
        return []
    return [found[0], *(fit for fit in found[1:] if is_card(pixels, fit))]


def _focals_px(lenses: tuple[Lens, ...], factor: float) -> tuple[float, ...]:
    """Focal lengths to consider in a search on the photo shrunk by a factor."""
    return tuple(lens.focal_px * factor * share for lens in lenses for share in _spread(lens))


def _spread(lens: Lens) -> tuple[float, ...]:
    """Shares of a lens's focal length to consider in the search, whose tolerance is about a tenth."""
    if lens.focal_log_u < KIND_U * 2:
        return (1.0,)
    return tuple(float(share) for share in np.exp(np.linspace(-SPREAD_U, SPREAD_U, SPREAD) * lens.focal_log_u))


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
