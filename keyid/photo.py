"""A photo as the later stages need it: upright pixels and what the file says of the camera."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Photo:
    """An upright photo.

    Attributes
    ----------
    file : str
        The file's name, without its folder.
    sha256 : str
        Of the file's bytes, in hex.
    pixels : ndarray of uint8, shape (height, width, 3)
        Upright, in the order blue, green, red (OpenCV's), sRGB-coded.
    focal_35mm : float or None
        EXIF's 35 mm equivalent focal length, when it can be believed for this picture.
    whole : bool
        False when size, aspect or EXIF allow that the picture was cropped.
    """

    file: str
    sha256: str
    pixels: NDArray[np.uint8]
    focal_35mm: float | None
    whole: bool

    @property
    def width_px(self) -> int:
        """Width of the upright photo."""
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Height of the upright photo."""
        return int(self.pixels.shape[0])


def load_photo(path: Path) -> Photo:
    """Read a photo file; raises PhotoError ``unreadable-file`` when it can't be read."""
    raise NotImplementedError
