"""Whether cuts that were told clash with the blade's rules, or with what the photo shows."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from keyid.blade import Blade
from keyid.known import Known
from keyid.profile import Profile
from keyid.ranking import Decoded, Ranking, rank

CLASH_P = 0.01  # of a told code, by the photo alone: less likely ones contradict it


def clashes(known: Known, ranking: Ranking, blade: Blade) -> tuple[str, ...]:
    """Say what the told cuts clash with, taken for cuts of the likeliest blade.

    Parameters
    ----------
    known : Known
    ranking : Ranking
        With what is known taken for true.
    blade : Blade
    """
    if not known.cuts or not ranking.candidates or blade.edges is None:
        return ()
    profile = ranking.candidates[0].decoded.profile  # with as many cuts as the key has
    if known.allowed(profile) is None:
        return (f"No cut of the blade {profile.name}, which fits best, can be what you told.",)
    by_photo = rank(blade, (profile,)).candidates
    seen = _against_photo(known, profile, by_photo[0].decoded) if by_photo else ()
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
        root, table = decoded.roots[i], decoded.code_probabilities[i]
        if root is None or table[code] >= CLASH_P:
            continue
        likeliest = max(table, key=lambda each: table[each])
        nominal = profile.roots_mm[profile.codes.index(code)]
        yield (
            f"You told cut {number} as {code} ({nominal:.2f} mm left); the photo shows {root.mm:.2f} "
            f"±{2 * root.u_mm:.2f} mm, code {likeliest}: one of the two is wrong. Measure it."
        )
