"""What the person tells of a photo, beside the photo itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from keyid.coin import Coin

ReferenceKind = Literal["id1-card", "ruler", "coin", "sheet", "paper", "blank", "none"]


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
    """

    coin: Coin | None = None
    reference: ReferenceKind | None = None
    bar_mm: float | None = None
    thickness_mm: float | None = None
