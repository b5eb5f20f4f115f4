"""The scale of a photo: the camera's pose over the table, from a reference of known size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyid import card, card_edges, card_fit, card_search
from keyid.camera import Camera
from keyid.card_fit import Lens
from keyid.card_measure import measure
from keyid.errors import PhotoError
from keyid.photo import Photo

ReferenceKind = Literal["id1-card", "ruler", "coin", "sheet", "paper", "blank", "none"]
FocalSource = Literal["exif", "estimated", "assumed"]


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
    """

    reference: ReferenceKind
    camera: Camera
    focal: FocalSource
    variations: tuple[Variation, ...]
    outline_px: NDArray[np.float64]
    thickness_mm: float


FILM_DIAGONAL_MM = 43.27  # of 36 x 24 mm, which the 35 mm equivalent focal length refers to
EXIF_FOCAL_U = 0.015  # EXIF rounds to a whole mm (1.2 % at 24 mm), and lenses differ from their nominal by about 1 %
KINDS_35MM = (26.0, 50.0)  # phones' main cameras are 23 to 28 mm, twofold zooms 46 to 56 mm (common practice)
KIND_U = 0.05
CENTRE_U = 0.003  # of the long side: lens to sensor alignment and stabilisers
CROP_CENTRE_U = 0.10  # crops put the axis 3 to 6 degrees off the middle
CROP_FOCAL_U = 0.35
K1_U = 0.03
SOURCES = (
    *("reference size", "reference size", "reference thickness", "focal length"),
    *("principal point", "principal point", "distortion"),
    *("pose",) * 6,
)
MAX_TILT_DEG = 35.0
DARK_LEVEL = 24
MIN_MERIT = 0.8
NEAR_PX = 1.5
MIN_SEEN = 0.6


def find_scale(photo: Photo) -> Scale:
    """Find the reference in the photo and solve the camera's pose.

    Raises PhotoError ``no-reference``, ``reference-unclear``, ``reference-cut-off``, ``too-tilted``, ``too-dark``.
    """
    small, factor = card_search.shrink(photo.pixels)
    if np.percentile(small, 99) < DARK_LEVEL:
        raise PhotoError("too-dark", "The photo is too dark to see the card's edges.", "Take it again in more light.")
    diagonal = float(np.hypot(photo.width_px, photo.height_px)) / FILM_DIAGONAL_MM
    kinds = (photo.focal_35mm,) if photo.focal_35mm else KINDS_35MM
    proposals = card_search.propose(small, tuple(kind * diagonal * factor for kind in kinds))
    if not proposals or proposals[0].merit < MIN_MERIT:
        raise _no_reference()
    fits = [
        found
        for kind in kinds
        if (found := measure(photo.pixels, small, proposals[0].homography, _lens(photo, kind * diagonal)))
    ]
    best = min(fits, key=lambda found: found.cost, default=None)
    if best is None or not _is_card(best):
        raise _no_reference()
    camera = best.camera
    if camera.tilt_deg > MAX_TILT_DEG:
        raise PhotoError(
            "too-tilted", "The photo was taken too much from the side.", "Hold the phone level above the key."
        )
    outline = camera.project(card.outline_mm())
    focal: FocalSource = "exif" if photo.focal_35mm else "estimated"
    return Scale("id1-card", camera, focal, _variations(best), outline, card.THICKNESS_MM)


def _no_reference() -> PhotoError:
    return PhotoError(
        "no-reference",
        "No bank card can be found in the photo.",
        "Lay a bank card flat beside the key, with all four corners in the picture.",
    )


def _is_card(found: card_fit.Fit) -> bool:
    """Whether three sides at least are seen along most of their length where a card's must be."""
    near = np.abs(found.residual_px) < NEAR_PX
    share = np.bincount(found.side, near, 4) / card_edges.STATIONS
    return bool(np.sort(share)[1] > MIN_SEEN and share.mean() > MIN_SEEN)


def _lens(photo: Photo, focal_px: float) -> Lens:
    """What is known of the camera before the card is measured, in pixels of the photo."""
    centre = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    long_side = max(photo.width_px, photo.height_px)
    if not photo.whole:
        return Lens(focal_px, CROP_FOCAL_U, centre, CROP_CENTRE_U * long_side, K1_U)
    focal_u = EXIF_FOCAL_U if photo.focal_35mm else KIND_U
    return Lens(focal_px, focal_u, centre, CENTRE_U * long_side, K1_U)


def _variations(found: card_fit.Fit) -> tuple[Variation, ...]:
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
