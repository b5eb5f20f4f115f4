"""Whether cuts that were told, or a code list, clash with the blade's rules, or with what the photo shows."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.length import in_mm
from keyid.profiles.profile import Profile
from keyid.rankings.known import Known
from keyid.rankings.ranking import Decoded, Ranking, rank

CLASH_P = 0.01  # of a told code, by the photo alone: less likely ones contradict it


def clashes(known: Known, ranking: Ranking, blade: Blade) -> tuple[str, ...]:
    """Say what the told cuts and the code list clash with, taken for those of the likeliest blade.

    Parameters
    ----------
    known : Known
    ranking : Ranking
        With what is known taken for true.
    blade : Blade
    """
    nothing_told = not known.cuts and known.listed is None
    if nothing_told or not ranking.candidates or blade.edges is None:
        return ()
    profile = ranking.candidates[0].decoded.profile  # with as many cuts as the key has
    if known.allowed(profile) is None:
        return (f"No cut of the blade {profile.name}, which fits best, can be what you told.",)
    by_photo = rank(blade, (profile,)).candidates
    seen: tuple[str, ...] = ()
    if by_photo:
        seen = (*_against_photo(known, profile, by_photo[0].decoded), *_beyond_list(known, by_photo[0].decoded))
    return (*_beyond_macs(known, profile), *seen)


def _beyond_macs(known: Known, profile: Profile) -> Iterator[str]:
    """Neighbouring cuts further apart in depth than the cutting system allows."""
    if profile.macs is None:
        return
    rank_of = {code: n for n, code in enumerate(profile.codes)}
    for (here, one), (there, other) in pairwise(sorted(known.cuts)):
        apart = abs(rank_of[one] - rank_of[other])
        if there == here + 1 and apart > profile.macs:
            yield (
                f"The cuts that you told clash: {here}={one}, {there}={other} are {apart} depths apart; neighbours on "
                f"{profile.name} differ by {profile.macs} at most."
            )


def _against_photo(known: Known, profile: Profile, decoded: Decoded) -> Iterator[str]:
    """Told codes that the photo speaks against."""
    for number, code in known.cuts:
        i = number - 1 if profile.stop_first else len(profile.positions_mm) - number
        root = decoded.roots[i]
        if root is None:
            continue
        table = decoded.code_probabilities[i]
        if table[code] >= CLASH_P:
            continue
        likeliest = max(table, key=lambda each: table[each])
        nominal = profile.roots_mm[profile.codes.index(code)]
        yield (
            f"You told cut {number} as {code} ({nominal:.2f} mm left); the photo shows {in_mm(root)} "
            f"mm, code {likeliest}: one of the two is wrong. Measure it."
        )


def _beyond_list(known: Known, decoded: Decoded) -> Iterator[str]:
    """That no code of the list fits, and how far the nearest is."""
    profile = decoded.profile
    bittings = known.bittings(profile)
    if bittings is None:
        return
    if len(bittings) == 0:
        count = len(profile.positions_mm)
        yield f"No code of the list can be one of {profile.name}: none has {count} cuts of its depths."
        return
    shown = [(i, root.mm) for i, root in enumerate(decoded.roots) if root is not None]
    if not shown:
        return
    cuts, roots = np.array([i for i, _ in shown]), np.array([mm for _, mm in shown])
    likely = np.array([[decoded.code_probabilities[i][code] >= CLASH_P for code in profile.codes] for i in cuts])
    fits = likely[np.arange(len(cuts)), bittings[:, cuts]]
    if fits.all(axis=1).any():
        return
    left = np.asarray(profile.roots_mm)[bittings[:, cuts]]
    off = np.abs(roots + decoded.wear.mm - left)
    nearest = int(np.argmin((off**2).sum(axis=1)))
    worst = int(np.argmax(np.where(fits[nearest], 0.0, off[nearest])))
    yield _nearest_words(known, decoded, bittings[nearest], int(cuts[worst]), int((~fits[nearest]).sum()))


def _nearest_words(known: Known, decoded: Decoded, ranks: NDArray[np.int_], worst: int, against: int) -> str:
    profile = decoded.profile
    turn = 1 if profile.stop_first else -1
    codes = tuple(profile.codes[n] for n in ranks[::turn])
    number = known.number_of(codes)
    name = "-".join(codes) + (f" ({number})" if number else "")
    cut = worst + 1 if profile.stop_first else len(ranks) - worst
    left, root = profile.roots_mm[ranks[worst]], decoded.roots[worst]
    seen = "" if root is None else f"{in_mm(root)} mm"
    return (
        f"No code of the list fits the photo. The nearest, {name}, differs at {against} of {len(ranks)} cuts, most at "
        f"cut {cut}: it leaves {left:.2f} mm, the photo shows {seen}. Check that it is this lock's list."
    )
