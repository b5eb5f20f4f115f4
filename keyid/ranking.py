"""Which profiles the measured blade can be, with a probability each, and "none of these"."""

from __future__ import annotations

from dataclasses import dataclass

from keyid.blade import Blade
from keyid.length import Length
from keyid.profile import Profile


@dataclass(frozen=True)
class Decoded:
    """One profile fitted to the blade: roots measured where the profile says that the cuts are.

    Attributes
    ----------
    positions, roots : tuple of Length or None
        In the order of the profile's positions (from the stop); None where a cut can't be read.  Measured values of
        this key as it is now: the profile says where to look, never what to find.
    code_probabilities : tuple of dict
        Per position: depth code to probability, given this profile.
    best : tuple of (codes, probability)
        The likeliest whole bittings in the order of the profile's positions, given this profile.
    wear, shift : Length
        Metal worn off the roots (not negative by nature), and the shift of all cuts along the blade.
    log_evidence : float
        Log of the probability density of the blade's measurements, given this profile.
    """

    profile: Profile
    positions: tuple[Length | None, ...]
    roots: tuple[Length | None, ...]
    code_probabilities: tuple[dict[str, float], ...]
    best: tuple[tuple[tuple[str, ...], float], ...]
    wear: Length
    shift: Length
    log_evidence: float
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]


@dataclass(frozen=True)
class Candidate:
    """A profile with its probability.  ``group`` is shared by blades that the photo can't tell apart."""

    profile: Profile
    probability: float
    group: str
    decoded: Decoded


@dataclass(frozen=True)
class Ranking:
    """Candidates, best first; their probabilities, ``others`` and ``none_of_these`` add up to 1."""

    candidates: tuple[Candidate, ...]
    others: float
    none_of_these: float


def rank(blade: Blade, profiles: tuple[Profile, ...]) -> Ranking:
    """Rank every profile against the measured blade."""
    raise NotImplementedError
