"""What is known of the camera before anything in the photo is measured: focal length, principal point, distortion."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from keyid.photos.photo import Photo
from keyid.scales.scale import FocalSource

FILM_DIAGONAL_MM = 43.27  # of 36 x 24 mm, which the 35 mm equivalent focal length refers to
EXIF_FOCAL_U = 0.015  # EXIF rounds to a whole mm (1.2 % at 24 mm), and lenses differ from their nominal by about 1 %
MAIN_35MM, ZOOM_35MM = 26.0, 50.0  # phones' main cameras have 23 to 28 mm, twofold zooms 46 to 56 (common practice)
MAIN_ODDS = 0.65  # most photos are taken with the main camera (common practice, no source)
KIND_U = 0.05  # within a kind
CROP_35MM, CROP_FOCAL_U = 49.0, 0.42  # of a crop: either kind (0.31), lengthened
CROP_LENGTHENS, CROP_LENGTHENS_U = 1.5, 0.28  # by how much a crop does: key and card fill 0.4 to all of a photo
FALSE_EXIF_ODDS = 0.02  # of a focal length that doesn't belong to the picture at all (common practice, no source)
CENTRE_U = 0.003  # of the long side: how lenses sit over sensors, and stabilisers
CROP_CENTRE_U = 0.10  # crops put the axis 3 to 6 degrees off the middle
K1_U = 0.03  # residual distortion of phones' pictures (common practice)


@dataclass(frozen=True)
class Lens:
    """What is known of the camera before the fit, in pixels of one picture.

    Attributes
    ----------
    focal_px, focal_log_u : float
        The standard deviation is that of the logarithm.
    centre_px, centre_u_px : tuple of float, float
        Principal point.
    k1_u : float
        Of the radial distortion, which is 0 beforehand.
    odds : float
        Of this kind of lens beforehand.
    """

    focal_px: float
    focal_log_u: float
    centre_px: tuple[float, float]
    centre_u_px: float
    k1_u: float
    odds: float = 1.0

    def resized(self, factor: float) -> Lens:
        """The same for the picture resized by a factor."""
        centre = resized_point(self.centre_px, factor)
        return replace(self, focal_px=self.focal_px * factor, centre_px=centre, centre_u_px=self.centre_u_px * factor)


def resized_point(point_px: tuple[float, float], factor: float) -> tuple[float, float]:
    """A point of a picture resized by a factor; pixel (0, 0) is the centre of a pixel in both."""
    return (point_px[0] + 0.5) * factor - 0.5, (point_px[1] + 0.5) * factor - 0.5


def focal_source(photo: Photo, otherwise: FocalSource) -> FocalSource:
    """Where the focal length comes from: the file, or else what is told."""
    return "exif" if photo.focal_35mm is not None else otherwise


def lenses_of(photo: Photo) -> tuple[Lens, ...]:
    """What may be known of the camera before the card is measured, in pixels of the photo, likeliest first."""
    if not photo.whole:
        return lenses_of_crop(photo)[:1]
    if photo.focal_35mm is not None:
        return (_lens(photo, photo.focal_35mm, EXIF_FOCAL_U, CENTRE_U),)
    kinds = ((MAIN_35MM, MAIN_ODDS), (ZOOM_35MM, 1 - MAIN_ODDS))
    return tuple(_lens(photo, f35, KIND_U, CENTRE_U, odds) for f35, odds in kinds)


def lenses_of_crop(photo: Photo) -> tuple[Lens, ...]:
    """What may be known where the picture is a part of what the camera took, likeliest first.

    What its file tells of the focal length is that of the whole, unless it is another photo's altogether.
    """
    anything = _lens(photo, CROP_35MM, CROP_FOCAL_U, CROP_CENTRE_U)
    told = photo.uncropped_35mm or photo.focal_35mm
    if told is None:
        return (anything,)
    believed = _lens(photo, CROP_LENGTHENS * told, CROP_LENGTHENS_U, CROP_CENTRE_U, 1 - FALSE_EXIF_ODDS)
    return believed, replace(anything, odds=FALSE_EXIF_ODDS)


def _lens(photo: Photo, focal_35mm: float, focal_log_u: float, centre_u: float, odds: float = 1.0) -> Lens:
    """A lens by its 35 mm equivalent, its axis in the picture's middle within a part of the long side."""
    centre = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    long_side = max(photo.width_px, photo.height_px)
    px_per_35mm = float(np.hypot(photo.width_px, photo.height_px)) / FILM_DIAGONAL_MM
    return Lens(focal_35mm * px_per_35mm, focal_log_u, centre, centre_u * long_side, K1_U, odds)
