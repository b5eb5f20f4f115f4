"""How a photo was sent, and what the original would bring.

A messenger shrinks a photo and drops what the camera wrote into it, a crop moves the lens's axis out of the middle, a
screenshot does both.  What that costs is in the budget already: here it is told, so that the person can ask for better.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from keyid.blades.blade import Blade
from keyid.photos.photo import ORIGINAL_LONG_PX, Photo
from keyid.readings.photo_advice import EDGE_PX
from keyid.readings.remark import WORTH_MM
from keyid.scales.scale import Scale

Way = Literal["screenshot", "cropped", "shrunk", "bare"]

UNKNOWN_LENS = ("focal length", "principal point")  # the budget's lines that the original narrows to next to nothing

HOW = {
    "screenshot": "This is a screenshot.",
    "cropped": "This photo was cropped or altered.",
    "shrunk": "This photo was shrunk on its way.",
    "bare": "What the camera wrote in it is gone.",
}
ASK = "Ask for the original, sent as a file, not as a picture."


@dataclass(frozen=True)
class Sending:
    """What a photo lost on its way.

    Attributes
    ----------
    way : str
        "screenshot", "cropped" (or altered: nothing tells which), "shrunk" by a messenger, or "bare" of EXIF.
    cost_mm : float
        The part of a root height's standard uncertainty that the original would take away.
    step_mm : float or None
        A depth step of the likeliest blade.
    """

    way: Way
    cost_mm: float
    step_mm: float | None

    @property
    def what(self) -> str:
        """What it is, as a sentence."""
        return HOW[self.way]

    @property
    def words(self) -> str:
        """What it is, what it costs, and what to ask for."""
        steps = "" if self.step_mm is None else f", {self.cost_mm / self.step_mm:.1g} of a depth step"
        return f"{self.what[:-1]}: that may make cuts wrong by {self.cost_mm:.2f} mm{steps}. {ASK}"


def sending_of(photo: Photo, scale: Scale, blade: Blade, px_per_mm: float, step_mm: float | None) -> Sending | None:
    """How the photo was sent; None for one as the phone saved it, and where what is lost isn't worth a word.

    Parameters
    ----------
    photo : Photo
    scale : Scale
        It may show a crop that the file does not.
    blade : Blade
        Its budget tells what the lens's unknown costs.
    px_per_mm : float
        At the blade: it tells what the pixels that are gone cost.
    step_mm : float or None
        A depth step of the likeliest blade.
    """
    way = way_of(photo, scale)
    if way is None:
        return None
    lens = [line.height_mm for line in blade.budget if line.source in UNKNOWN_LENS]
    enlarged = max(1.0, ORIGINAL_LONG_PX / max(photo.width_px, photo.height_px)) if way != "cropped" else 1.0
    edge = EDGE_PX / px_per_mm * np.sqrt(1 - 1 / enlarged**2)
    cost = float(np.sqrt(np.sum(np.square([*lens, edge]))))
    return Sending(way, cost, step_mm) if cost >= WORTH_MM else None


def way_of(photo: Photo, scale: Scale) -> Way | None:
    """What file and reference show of the photo's way."""
    if photo.frame is not None:
        return "screenshot"
    if scale.cropped or not photo.whole:
        return "cropped"
    if photo.focal_35mm is not None:
        return None
    return "shrunk" if photo.looks_shrunk else "bare"
