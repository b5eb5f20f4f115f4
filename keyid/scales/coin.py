"""Coins: diameters and thicknesses as the mints publish them.

Coins of several countries are nearly alike (a US quarter has 24.26 mm, a euro 50 cent piece 24.25, a UK 10p piece
24.5), so a photo can't tell which one it shows: the person says it.  Coins that are not round are left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

DIAMETERS_MM = (14.0, 45.0)  # coins in use are 16 to 39 mm wide; a slip of the unit (inch, cm) falls outside
OWN_THICKNESS_MM = 1.9  # of a coin known by its diameter alone: those below have 1.2 to 2.5 mm
OWN_THICKNESS_U_MM = 0.3
SAME_DIAMETER_MM = 0.03  # a diameter told that near to a coin's is that coin's


@dataclass(frozen=True)
class Coin:
    """A coin's size.

    Attributes
    ----------
    name : str
        What a person calls it.
    diameter_mm, thickness_mm, thickness_u_mm : float
    source : str
        Who publishes the figures, and how they were seen.
    """

    name: str
    diameter_mm: float
    thickness_mm: float
    thickness_u_mm: float = 0.07  # mints call the thickness indicative, and rims wear
    source: str = ""


_US = "United States Mint, Coin Specifications"
_EURO = "Council Regulation (EU) No 729/2014, annex I, as quoted by three independent pages"
_UK = "The Royal Mint, Coin design and specifications"
_UK_QUOTED = "The Royal Mint's figures as quoted elsewhere"
_CANADA = "Royal Canadian Mint's figures as quoted elsewhere"
_MEMORY = "from memory"

COINS = (
    Coin("US cent", 19.05, 1.52, source=_US),
    Coin("US nickel", 21.21, 1.95, source=_US),
    Coin("US dime", 17.91, 1.35, source=_US),
    Coin("US quarter", 24.26, 1.75, source=_US),
    Coin("US half dollar", 30.61, 2.15, source=_US),
    Coin("US dollar", 26.49, 2.00, source=_US),
    Coin("1 euro cent", 16.25, 1.67, source=_EURO),
    Coin("2 euro cent", 18.75, 1.67, source=_EURO),
    Coin("5 euro cent", 21.25, 1.67, source=_EURO),
    Coin("10 euro cent", 19.75, 1.93, source=_EURO),
    Coin("50 euro cent", 24.25, 2.38, source=_EURO),
    Coin("1 euro", 23.25, 2.33, source=_EURO),
    Coin("2 euro", 25.75, 2.20, source=_EURO),
    Coin("UK 1p", 20.3, 1.65, source=_UK_QUOTED),
    Coin("UK 2p", 25.9, 2.03, source=_UK_QUOTED),
    Coin("UK 5p", 18.0, 1.7, source=_UK_QUOTED),
    Coin("UK 10p", 24.5, 1.85, 0.15, source=f"{_UK}; others give 2.05 for those of steel"),
    Coin("UK 2 pounds", 28.4, 2.5, source=_UK_QUOTED),
    Coin("Canadian 5 cents", 21.2, 1.76, source=_MEMORY),
    Coin("Canadian 10 cents", 18.03, 1.22, source=_MEMORY),
    Coin("Canadian 25 cents", 23.88, 1.58, source=_CANADA),
    Coin("Canadian 2 dollars", 28.0, 1.78, source=f"{_CANADA}; 1.8 mm, since 2012 1.75 (from memory)"),
)


class CoinError(ValueError):
    """What was told of a coin can't be used; the text says why and what to tell."""


def coin_named(text: str) -> Coin:
    """The coin that a person means by a diameter in mm or a name.

    A diameter stands for a coin of that size whose thickness is that of the coins so wide.  Raises CoinError.
    """
    try:
        diameter = float(text.replace(",", ".").removesuffix("mm"))
    except ValueError:
        return _by_name(text)
    if not DIAMETERS_MM[0] <= diameter <= DIAMETERS_MM[1]:
        raise CoinError(
            f"No coin is {diameter:g} mm wide. Tell its diameter in mm, "
            f"between {DIAMETERS_MM[0]:g} and {DIAMETERS_MM[1]:g}."
        )
    alike = [coin.thickness_mm for coin in COINS if abs(coin.diameter_mm - diameter) <= SAME_DIAMETER_MM]
    if not alike:
        return Coin(f"coin of {diameter:g} mm", diameter, OWN_THICKNESS_MM, OWN_THICKNESS_U_MM, "told")
    middle, spread = (max(alike) + min(alike)) / 2, (max(alike) - min(alike)) / 2
    return Coin(f"coin of {diameter:g} mm", diameter, middle, max(spread, COINS[0].thickness_u_mm), "told")


def _by_name(text: str) -> Coin:
    """The coin whose name has all the words told, when only one has."""
    told = _words(text)
    exact = [coin for coin in COINS if _words(coin.name) == told]
    found = exact or [coin for coin in COINS if told <= _words(coin.name)]
    if len(found) == 1 and told:
        return found[0]
    if found and told:
        raise CoinError(f"'{text}' may be {_listed(found)}. Tell which one it is.")
    raise CoinError(
        f"'{text}' is not among the coins known here. Tell its diameter in mm, or one of {_listed(list(COINS))}."
    )


def _words(text: str) -> frozenset[str]:
    """The words of a name without regard to case, order and plural."""
    return frozenset(word.rstrip("s") if len(word) > 2 else word for word in re.findall(r"[a-z]+|\d+", text.lower()))


def _listed(coins: list[Coin]) -> str:
    return ", ".join(coin.name for coin in coins)
