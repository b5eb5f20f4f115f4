"""Which reference lies in the photo, and the scale that it gives."""

from __future__ import annotations

import numpy as np

from keyid import card_search
from keyid.card_scale import find_card
from keyid.errors import PhotoError
from keyid.photo import Photo
from keyid.scale import Scale

MAX_TILT_DEG = 36.0  # beyond, a card's far half is too coarse and its rims merge
DARK_LEVEL = 24  # grey level that a hundredth of the picture exceeds


def find_scale(photo: Photo) -> Scale:
    """Find the reference in the photo and solve the camera's pose.

    Raises PhotoError ``no-reference``, ``reference-unclear``, ``reference-cut-off``, ``too-tilted``, ``too-dark``.
    """
    small, _ = card_search.shrink(photo.pixels)
    if np.percentile(small, 99) < DARK_LEVEL:
        raise PhotoError("too-dark", "The photo is too dark to see the card's edges.", "Take it again in more light.")
    scale = find_card(photo, small)
    if scale.camera.tilt_deg > MAX_TILT_DEG:
        raise PhotoError(
            "too-tilted", "The photo was taken too much from the side.", "Hold the phone level above the card."
        )
    return scale
