"""Which profiles the measured blade can be, with a probability each, and "none of these"."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.rankings.codes import best_bittings
from keyid.rankings.evidence import Samples, samples_of
from keyid.rankings.fitting import CutFit, PlacedCuts, place_cuts, size_log_densities, weigh_codes, what_places
from keyid.rankings.free_fit import free_log_evidence
from keyid.rankings.groove_evidence import groove_evidence, kinds, told_by
from keyid.rankings.groove_relief import Relief, reliefs_of, without_parallax
from keyid.rankings.joint import joint_positions, joint_roots
from keyid.rankings.known import NOTHING_KNOWN, Known
from keyid.rankings.other_ways import ways_to_take
from keyid.rankings.reasons import reasons
from keyid.rankings.screen import worth_fitting
from keyid.rankings.thickness import told_thickness, with_thickness
from keyid.rankings.unlisted import UNLISTED_P, unlisted_size_log_density

Array = NDArray[np.float64]

LISTED_MAX = 10  # candidates told; a locksmith doesn't read more
LISTED_MIN_P = 1e-4  # less likely ones are left to ``others``
UNPLACED_NATS = 30.0  # below the worst fit: a blade whose stop can't be found on this one
NO_FLANK_U_MM = 0.05  # where a cut is that shows no flanks, from the others
MEDIAN_FACTOR = 1.2533  # a median is that much less sure than a mean (normal errors, square root of pi / 2)
MADE_SD_MM = 0.02  # positions as made
GROUP_DIGITS = 3  # of mm: blades equal to that are the same in a photo


@dataclass(frozen=True)
class Decoded:
    """One profile fitted to the blade: roots measured where the profile says that the cuts are.

    Attributes
    ----------
    profile : Profile
        With the positions of this key's cuts only, where its keys have different numbers of cuts.
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
    """Candidates, best first; their probabilities, ``others`` and ``none_of_these`` add up to 1.

    ``asked`` is the blade that was asked for, likely or not.
    """

    candidates: tuple[Candidate, ...]
    others: float
    none_of_these: float
    asked: Candidate | None = None


@dataclass(frozen=True)
class Fitted:
    """A profile with the log of its evidence, and its cuts where the blade has any.

    ``variant`` is the profile with as many positions as the key has cuts; ``blade`` is the way of taking the edges,
    with this profile's thickness, and what its grooves do to them taken off.
    """

    profile: Profile
    variant: Profile
    group: tuple[object, ...]
    blade: Blade
    fit: CutFit | None
    log_evidence: float


Body = tuple[Length | None, tuple[Relief, ...]]
"""Thickness and grooves of a profile: what decides where its edges stand in a photo."""

Fits = tuple[list[Fitted], float]
"""Blades fitted, and the log-evidence of an unlisted key."""


def rank(
    blade: Blade, profiles: tuple[Profile, ...], known: Known = NOTHING_KNOWN, asked: Profile | None = None
) -> Ranking:
    """Rank every profile against the measured blade.

    Parameters
    ----------
    blade : Blade
    profiles : tuple of Profile
        The library; every blade in it is taken for equally likely beforehand.
    known : Known
        What is known of the codes beside the photo.
    asked : Profile, optional
        A blade of the library to be told of, likely or not.

    Returns
    -------
    Ranking
        With at most ten candidates.  A blade without cuts is ranked by width, length and stop alone.
    """
    fitted, log_unlisted = _with_grooves(blade, fit_ways(blade, profiles, known, asked))
    return weigh(fitted, log_unlisted, len(profiles), known, asked)


def weigh(
    fitted: list[Fitted], log_unlisted: float, listed: int, known: Known, asked: Profile | None = None
) -> Ranking:
    """From the evidence of blades out of so many listed ones, and of an unlisted key, to their probabilities."""
    log_prior = math.log((1 - UNLISTED_P) / max(listed, 1))
    log_weight = np.array([log_prior + f.log_evidence for f in fitted] + [math.log(UNLISTED_P) + log_unlisted])
    share = np.exp(log_weight - np.logaddexp.reduce(log_weight))
    order = sorted(range(len(fitted)), key=lambda i: (-share[i], fitted[i].profile.id))
    told_of = [i for n, i in enumerate(order[:LISTED_MAX]) if n == 0 or share[i] >= LISTED_MIN_P]
    names: dict[tuple[object, ...], str] = {}
    for i in told_of:
        names.setdefault(fitted[i].group, fitted[i].profile.id)
    candidates = tuple(_candidate(fitted[i], float(share[i]), names[fitted[i].group], known) for i in told_of)
    told = next((i for i, f in enumerate(fitted) if f.profile is asked), None)
    kept = None if told is None else _kept(told, fitted, share, names, known)
    others = max(0.0, 1 - float(share[-1]) - sum(c.probability for c in candidates))
    return Ranking(candidates, others, float(share[-1]), kept)


def _kept(i: int, fitted: list[Fitted], share: Array, names: dict[tuple[object, ...], str], known: Known) -> Candidate:
    """The blade that was asked for; its group's name is its own where none of the group is listed."""
    one = fitted[i]
    return _candidate(one, float(share[i]), names.get(one.group, one.profile.id), known)


def fit_ways(blade: Blade, profiles: tuple[Profile, ...], known: Known, asked: Profile | None) -> Fits:
    """Fit the blades to each way of taking the edges: of each blade the likeliest way, with the evidence of all."""
    best: dict[str, Fitted] = {}
    unlisted = []
    for way, log_p in ways_to_take(blade):
        fitted, log_unlisted = _fit_all(way, profiles, known, asked)
        unlisted.append(log_unlisted + log_p)
        for one in fitted:
            new = replace(one, log_evidence=one.log_evidence + log_p)
            old = best.get(one.profile.id, new)
            better = max((old, new), key=lambda f: f.log_evidence)
            total = new.log_evidence if old is new else float(np.logaddexp(old.log_evidence, new.log_evidence))
            best[one.profile.id] = replace(better, log_evidence=total)
    return list(best.values()), float(np.logaddexp.reduce(unlisted))


def _with_grooves(blade: Blade, fits: Fits) -> Fits:
    """Add what the lines along the face say; blades that they tell apart are no longer of one group."""
    fitted, log_unlisted = fits
    grooves = groove_evidence(blade.faces, [one.profile for one in fitted])
    alike: dict[tuple[object, ...], list[Fitted]] = {}
    for one in fitted:
        alike.setdefault(one.group, []).append(one)
    told = []
    for group, members in alike.items():
        log_ratios = [grooves.of(one.profile) for one in members]
        for one, log_ratio, kind in zip(members, log_ratios, kinds(log_ratios), strict=True):
            told.append(replace(one, group=(*group, kind), log_evidence=one.log_evidence + log_ratio))
    return told, log_unlisted + grooves.unlisted


def _fit_all(blade: Blade, profiles: tuple[Profile, ...], known: Known, asked: Profile | None) -> Fits:
    """Fit the blades that size leaves, and the model of unlisted keys."""
    size = size_log_densities(profiles, blade)
    log_unlisted = unlisted_size_log_density(blade, profiles)
    near = worth_fitting(blade, profiles, size)
    near += [asked] if asked is not None and not any(p is asked for p in near) else []
    told = [told_thickness(p) for p in near]
    of_thickness = {thickness: with_thickness(blade, thickness) for thickness in set(told)}
    if blade.edges is None:
        return [_uncut(p, of_thickness[thickness]) for p, thickness in zip(near, told, strict=True)], log_unlisted
    bodies = _bodies(near, told, blade)
    standing = {body: without_parallax(of_thickness[body[0]], body[1]) for body in set(bodies)}
    samples = {body: _samples(one) for body, one in standing.items()}
    places: dict[tuple[object, ...], tuple[PlacedCuts, ...]] = {}  # many blades differ in their depth tables only
    fits: dict[tuple[object, ...], CutFit | None] = {}
    for p, body in zip(near, bodies, strict=True):
        for variant in _variants(p):
            group = (*_fit_group(variant), body)
            if group in fits:
                continue
            place = (*what_places(variant), body)
            if place not in places:
                places[place] = place_cuts(variant, standing[body], samples[body])
            fits[group] = weigh_codes(variant, standing[body], places[place], known)
    placed = [fit for fit in fits.values() if fit is not None]
    free = free_log_evidence(blade, _samples(blade))
    log_unlisted += _any_of(free, [fit.unlisted_log_evidence for fit in placed])
    least = min([log_unlisted, *(fit.log_evidence for fit in placed)]) - UNPLACED_NATS
    best = [_best_variant(p, standing[body], body, fits, least) for p, body in zip(near, bodies, strict=True)]
    return best, log_unlisted


def _bodies(near: list[Profile], told: list[Length | None], blade: Blade) -> list[Body]:
    """The body of each profile; those that are milled alike have the same."""
    reliefs: dict[tuple[object, ...], tuple[Relief, ...]] = {}
    bodies: list[Body] = []
    for p, thickness in zip(near, told, strict=True):
        milled = told_by(p), p.thickness_mm, p.width_mm
        if milled not in reliefs:
            reliefs[milled] = reliefs_of(p, blade)
        bodies.append((thickness, reliefs[milled]))
    return bodies


def _samples(blade: Blade) -> tuple[Samples, Samples]:
    """Stations of both edges."""
    return samples_of(blade, blade.a), samples_of(blade, blade.b)


def _uncut(p: Profile, blade: Blade) -> Fitted:
    """A profile by its size alone."""
    return Fitted(p, p, _uncut_group(p), blade, None, float(size_log_densities((p,), blade)[0]))


def _any_of(free: float, there: list[float]) -> float:
    """Log-evidence of an unlisted key: its cuts where they are found, or where one of the fitted blades has them."""
    if not there:
        return free
    there_p = np.logaddexp.reduce(there) - math.log(len(there))
    return float(np.logaddexp(free, there_p) - math.log(2))


def _variants(p: Profile) -> tuple[Profile, ...]:
    """The blade with each number of cuts that its keys have: the first so many from the stop."""
    return tuple(
        replace(p, positions_mm=p.positions_mm[:count], positions_sd_mm=p.positions_sd_mm[:count])
        for count in p.counts or (len(p.positions_mm),)
    )


def _best_variant(
    p: Profile,
    blade: Blade,
    body: Body,
    fits: dict[tuple[object, ...], CutFit | None],
    otherwise: float,
) -> Fitted:
    """The number of cuts that fits best, with the evidence of all of them, each as likely beforehand."""
    variants = [(variant, fits[(*_fit_group(variant), body)]) for variant in _variants(p)]
    evidence = [otherwise if fit is None else fit.log_evidence for _, fit in variants]
    variant, fit = variants[int(np.argmax(evidence))]
    total = float(np.logaddexp.reduce(evidence)) - math.log(len(evidence))
    return Fitted(p, variant, _cut_group(p), blade, fit, total)


def _uncut_group(p: Profile) -> tuple[object, ...]:
    """What an uncut blade shows; a tip stop's length is hidden by the head."""
    length = None if p.length_mm is None or p.stop == "tip" else round(p.length_mm, GROUP_DIGITS)
    return p.stop, round(p.width_mm, GROUP_DIGITS), p.width_sd_mm, length


def _cut_group(p: Profile) -> tuple[object, ...]:
    """What a cut blade shows: all but grooves, names and code labels."""
    rows = tuple(tuple(round(value, GROUP_DIGITS) for value in row) for row in (p.positions_mm, p.roots_mm))
    made = p.as_made_sd_mm, p.length_sd_mm, p.positions_sd_mm, p.roots_sd_mm
    return *_uncut_group(p), p.edges, rows, p.flat_mm, p.angle_deg, p.macs, p.counts, *made


def _fit_group(p: Profile) -> tuple[object, ...]:
    """What a fit depends on: also the code labels, which may be known."""
    return *_cut_group(p), p.codes, p.order


def _candidate(fitted: Fitted, probability: float, group: str, known: Known) -> Candidate:
    return Candidate(fitted.profile, probability, group, _decoded(fitted, known))


def _decoded(fitted: Fitted, known: Known) -> Decoded:
    """What a candidate tells of the key."""
    profile, fit, blade = fitted.variant, fitted.fit, fitted.blade
    speaks_for, speaks_against = reasons(profile, blade, fit)
    if fit is None:
        nothing = (None,) * len(profile.positions_mm)
        none = Length(0.0, 0.0)
        evidence = fitted.log_evidence
        return Decoded(profile, nothing, nothing, (), (), none, none, evidence, speaks_for, speaks_against)
    table = fit.codes.probabilities
    codes = tuple({code: float(p) for code, p in zip(profile.codes, row, strict=True)} for row in table)
    return Decoded(
        profile=profile,
        positions=_positions(fit.placed, profile, blade),
        roots=_roots(fit.placed, blade),
        code_probabilities=codes,
        best=best_bittings(profile, fit.placed.even, blade.width, blade.height_common_u_mm, known),
        wear=Length(fit.codes.wear_mm, fit.codes.wear_u_mm),
        shift=Length(fit.placed.shift_mm, _shift_u(fit.placed, profile, blade)),
        log_evidence=fitted.log_evidence,
        speaks_for=speaks_for,
        speaks_against=speaks_against,
    )


def _roots(placed: PlacedCuts, blade: Blade) -> tuple[Length | None, ...]:
    """Joint roots of all edges, the uncertainty common to all heights included."""
    root, u = joint_roots(placed.readings)
    u = np.hypot(u, blade.height_common_u_mm)
    return tuple(Length(float(r), float(s)) if np.isfinite(r) else None for r, s in zip(root, u, strict=True))


def _positions(placed: PlacedCuts, profile: Profile, blade: Blade) -> tuple[Length | None, ...]:
    """Joint positions; where a root was read but no flank shows, as at full height, where the cut would be."""
    position, u = joint_positions(placed.readings)
    root, _ = joint_roots(placed.readings)
    where = np.asarray(profile.positions_mm) + placed.shift_mm
    u = np.where(np.isfinite(position), u, NO_FLANK_U_MM)
    position = np.where(np.isfinite(position), position, where)
    u = np.sqrt(u**2 + placed.station_u_mm**2 + (blade.stretch_u * position) ** 2)
    seen = np.isfinite(root)
    return tuple(Length(float(x), float(s)) if s0 else None for x, s, s0 in zip(position, u, seen, strict=True))


def _shift_u(placed: PlacedCuts, profile: Profile, blade: Blade) -> float:
    """Standard uncertainty of the middle of the positions' shifts, with that of the stop and of the scale along."""
    _, u = joint_positions(placed.readings)
    u = u[np.isfinite(u)]
    own = NO_FLANK_U_MM if len(u) == 0 else MEDIAN_FACTOR * math.sqrt(float(np.mean(u**2 + MADE_SD_MM**2)) / len(u))
    return math.hypot(own, placed.station_u_mm, blade.stretch_u * float(np.median(profile.positions_mm)))
