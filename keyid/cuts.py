"""Cuts found without knowing any profile."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from keyid.blade import Blade
from keyid.length import Length


@dataclass(frozen=True)
class Cut:
    """A cut found on an edge.

    Attributes
    ----------
    edge : str
        "a" or "b".
    position : Length
        Station of the root's centre, from the stop.
    root : Length
        Height of the root over the opposite edge's uncut line.
    flat_mm : float
        Length of the root's flat, as seen; 0 for a pointed root.
    """

    edge: Literal["a", "b"]
    position: Length
    root: Length
    flat_mm: float


def find_cuts(blade: Blade) -> tuple[Cut, ...]:
    """Find the cuts of both edges, edge a first, each in the order of position."""
    raise NotImplementedError
