"""What the person tells of a photo, beside the photo itself."""

from __future__ import annotations

from dataclasses import dataclass

from keyid.coin import Coin


@dataclass(frozen=True)
class Told:
    """What the person told of the photo.

    Attributes
    ----------
    coin : Coin or None
        The coin that lies in it.
    """

    coin: Coin | None = None
