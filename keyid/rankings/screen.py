"""Which of many profiles are worth fitting to the blade: those whose size fits, and of many those with cuts where seen.

Fitting one takes some milliseconds, so that of thousands only the likeliest few are fitted.  What is left out here is
told as unlikely, so the screen is much wider than any measurement's uncertainty.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.blades.cuts import find_cuts
from keyid.profiles.profile import Profile
from keyid.rankings.fitting import frame_of

Array = NDArray[np.float64]

SIZE_NATS = 16.0  # a blade whose width, length and stop fit by that much less than the best one's isn't fitted
FITTED_MAX = 30  # cutting systems that are fitted: of 10,000, moved by steps of 0.013 mm, they hold 95 % or more
PLACE_SD_MM = 0.15  # cuts found without any profile are that good, the worst of them
MISSED_NATS = 5.0  # a cut where a profile has none is that much against it, and no more: it may be a shadow
SHIFTS_MM = np.linspace(-0.6, 0.6, 9)  # of all cuts: copies made off their stop, a stop seen at a wrong place
SHIFT_NATS_PER_MM = 5.0  # a shift of 0.5 mm is as unlikely as half a missed cut

Place = tuple[object, ...]
"""What decides where a profile has its cuts on the blade; equal for profiles that differ in other things only."""


def worth_fitting(blade: Blade, profiles: tuple[Profile, ...], log_size: Array) -> list[Profile]:
    """Return the profiles to fit, those whose size and cuts fit best first.

    Parameters
    ----------
    blade : Blade
    profiles : tuple of Profile
    log_size : ndarray, shape (profiles,)
        Log-density of the blade's size, given each profile.
    """
    if not profiles:
        return []
    order = np.argsort(-log_size, kind="stable")
    order = order[log_size[order] >= log_size[order[0]] - SIZE_NATS]
    near = [profiles[i] for i in order.tolist()]
    by_place: dict[Place, list[Profile]] = {}
    score: dict[Place, float] = {}
    for profile, log_p in zip(near, log_size[order].tolist(), strict=True):
        place = _place(profile)
        by_place.setdefault(place, []).append(profile)
        score.setdefault(place, log_p)  # that of its best: they come in order
    if blade.edges is None or len(by_place) <= FITTED_MAX:
        return near
    found = np.array([cut.position.mm for cut in find_cuts(blade)])
    for places in _of_one_frame(by_place):
        fit = _log_found(blade, [by_place[place][0] for place in places], found)
        for place, log_p in zip(places, fit.tolist(), strict=True):
            score[place] += log_p
    best = sorted(by_place, key=lambda place: -score[place])[:FITTED_MAX]
    return [profile for place in best for profile in by_place[place]]


def _place(profile: Profile) -> Place:
    return profile.stop, profile.length_mm, profile.edges, profile.positions_mm


def _of_one_frame(by_place: dict[Place, list[Profile]]) -> list[list[Place]]:
    """Places whose profiles lie on the blade in the same way and have as many positions: they are compared at once."""
    together: dict[tuple[object, ...], list[Place]] = {}
    for place, (profile, *_) in by_place.items():
        together.setdefault((profile.stop, profile.length_mm, len(profile.positions_mm)), []).append(place)
    return list(together.values())


def _log_found(blade: Blade, profiles: list[Profile], found_mm: Array) -> Array:
    """How well the cuts found without a profile stand where each profile has its own, up to a constant."""
    frame = frame_of(profiles[0], blade)
    if frame is None or len(found_mm) == 0:
        return np.zeros(len(profiles))
    positions = np.array([profile.positions_mm for profile in profiles])
    missed = np.full(len(profiles), np.inf)
    for shift in SHIFTS_MM:
        off = np.abs(frame.to_profile(found_mm)[None, :, None] - shift - positions[:, None, :]).min(axis=2)
        each = np.minimum(0.5 * (off / PLACE_SD_MM) ** 2, MISSED_NATS).sum(axis=1)
        missed = np.minimum(missed, each + SHIFT_NATS_PER_MM * abs(float(shift)))
    return -missed
