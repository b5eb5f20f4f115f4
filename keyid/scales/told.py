"""What the person tells of a photo, beside the photo itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from keyid.scales.coin import Coin
from keyid.scales.paper import Paper
from keyid.scales.pointed import NOTHING_POINTED, Pointed

ReferenceKind = Literal["id1-card", "ruler", "coin", "sheet", "paper", "blank", "none"]

KINDS: dict[str, ReferenceKind] = {
    "card": "id1-card",
    "ruler": "ruler",
    "coin": "coin",
    "paper": "paper",
    "sheet": "sheet",
}
"""References that can be told, by what people call them."""
NAMES: dict[ReferenceKind, str] = {
    "sheet": "measuring sheet",
    "id1-card": "bank card",
    "ruler": "ruler",
    "paper": "sheet of paper",
    "coin": "coin",
}
"""References in words."""
THICKNESSES_MM = (0.8, 5.0)  # of any key's blade (common practice, no source)
BARS_MM = (80.0, 120.0)  # a printer that scales more was set to another paper size


@dataclass(frozen=True)
class Told:
    """What the person told of the photo.

    Attributes
    ----------
    coin : Coin or None
        The coin that lies in it.
    reference : str or None
        Which kind of reference to use; else the first that is found.
    bar_mm : float or None
        What the 100 mm bar of the printed measuring sheet really measures.
    thickness_mm : float or None
        The blade's thickness, measured by hand.
    paper : Paper or None
        The sheet of paper that lies in it.
    pointed : Pointed
        What was pointed at in the photo.
    """

    coin: Coin | None = None
    reference: ReferenceKind | None = None
    bar_mm: float | None = None
    thickness_mm: float | None = None
    paper: Paper | None = None
    pointed: Pointed = NOTHING_POINTED

    @property
    def of_scale(self) -> Told:
        """The part that the scale depends on: where it stays the same, a scale measured before can be kept."""
        return replace(self, thickness_mm=None, pointed=self.pointed.of_scale)
