"""The scale of a photo: the camera's pose over the table, and how sure, from a reference of known size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from keyid.scales.camera import Camera
from keyid.scales.told import ReferenceKind

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
        "principal point", "distortion", "pose", "pointing".
    camera : Camera
        The camera, solved again with that input moved.
    """

    source: str
    camera: Camera


@dataclass(frozen=True)
class Check:
    """Another reference in the photo: its size by this scale over its own, and the standard uncertainty of that."""

    reference: ReferenceKind
    ratio: float
    u: float


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
    checks : tuple of Check
        Other references in the photo that agree.
    cropped : bool
        Whether the reference's perspective shows that the photo, whole as it looks, is a part of what the camera took.
    blur_px : float or None
        Standard deviation of the blur at the reference's rim, in pixels; None where the rim doesn't show it.
    """

    reference: ReferenceKind
    camera: Camera
    focal: FocalSource
    variations: tuple[Variation, ...]
    outline_px: NDArray[np.float64]
    thickness_mm: float
    rival: Scale | None = None
    rival_probability: float = 0.0
    checks: tuple[Check, ...] = ()
    cropped: bool = False
    blur_px: float | None = None
