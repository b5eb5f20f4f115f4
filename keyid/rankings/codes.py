"""Which depth codes the measured roots can be: one joint posterior over all cuts of a key.

What the cuts share is integrated out on a grid: the error common to all heights, and the wear common to all roots,
which only removes metal.  Neighbouring cuts are coupled by the maximum adjacent cut specification, so the sums over
all bittings run along the blade (the forward-backward algorithm).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.rankings.cutmodel import full_height
from keyid.rankings.decoding import WRONG_EDGE_FAR, WRONG_EDGE_SD_MM, EdgeReading
from keyid.rankings.height_errors import HeightErrors, height_errors
from keyid.rankings.known import NOTHING_KNOWN, Known

Array = NDArray[np.float64]
Codes = tuple[str, ...]

AS_MADE_SD_MM = 0.025  # roots as made scatter by that where a profile doesn't say: a trade limit of 0.05 mm is two sd
UNCUT_SD_MM = 0.03  # an uncut edge differs from its line by that
WEAR_SPREAD = 0.3  # roots of one key wear unequally, by this part of the common wear
VIOLATION_P = 1e-4  # a pair of neighbours beyond the MACS, against one within: a key cut by mistake
DEEPER = 1e-300  # keeps a product of likelihoods from underflowing to zero
AGAINST_KNOWN_P = 1e-6  # share of blades that are right although they can't have what is known: a slip
LIST_WRONG_P = 0.01  # share of code lists that the key is not in: another lock's, a key cut since
RULED_OUT = -700.0  # log of a likelihood of next to nothing
BEAM = 48  # whole bittings kept while searching for the likeliest
BEST = 8  # whole bittings told


@dataclass(frozen=True)
class CodePosterior:
    """What the roots tell of the codes, given the profile.

    Attributes
    ----------
    probabilities : ndarray, shape (cuts, codes)
        Of each code at each position; rows add up to 1.
    wear_mm, wear_u_mm : float
        Mean and standard deviation of the common wear.
    offset_mm : float
        Mean of what all heights are off by, wear included: measured minus nominal.
    log_evidence : float
        Log of the density of the width and the likelihood of the roots against roots of any height: each of these a
        ratio of densities times its volume, the root of 2 pi times its uncertainty.
    """

    probabilities: Array
    wear_mm: float
    wear_u_mm: float
    offset_mm: float
    log_evidence: float


def code_posterior(
    profile: Profile,
    readings: tuple[EdgeReading, ...],
    width: Length,
    height_common_u_mm: float,
    known: Known = NOTHING_KNOWN,
) -> CodePosterior:
    """Return the joint posterior of a profile's codes.

    Parameters
    ----------
    profile : Profile
    readings : tuple of EdgeReading
        One for each cut edge, in the order of the profile's positions.
    width : Length
        Across the uncut blade, as measured.
    height_common_u_mm : float
        Standard uncertainty of what is common to all heights.
    known : Known
        What is known of the codes beside the photo.
    """
    common = height_errors(profile, width, height_common_u_mm, len(readings))
    log_likelihood, log_known = _with_known(_log_likelihood(profile, readings, common), profile, known)
    likelihood, log_scale = _scaled(log_likelihood)
    step = _steps(profile)
    log_count = _log_count(step, known.allowed(profile), len(profile.positions_mm))
    anything = _any_posterior(likelihood, log_scale + log_known - log_count, common, step)
    bittings = known.bittings(profile)
    if bittings is None:
        return anything
    if len(bittings) == 0:
        return replace(anything, log_evidence=anything.log_evidence + math.log(LIST_WRONG_P))
    return _in_list_or_not(_listed_posterior(likelihood, log_scale + log_known, common, bittings), anything)


def _any_posterior(likelihood: Array, log_scale: float, common: HeightErrors, step: Array) -> CodePosterior:
    """The posterior where the bitting can be any."""
    forward, forward_log = _sweep(likelihood, step)
    backward, _ = _sweep(likelihood[:, ::-1], step)
    log_node = np.log(common.weight) + forward_log
    log_total = float(np.logaddexp.reduce(log_node))
    node = np.exp(log_node - log_total)
    joint = forward * backward[:, ::-1] / np.maximum(likelihood, DEEPER)
    joint /= np.maximum(joint.sum(axis=2, keepdims=True), DEEPER)
    wear = float(node @ common.wear_mm)
    variance = float(node @ common.wear_mm**2) - wear**2
    return CodePosterior(
        np.einsum("g,gnc->nc", node, joint),
        wear,
        max(variance, 0.0) ** 0.5,
        float(node @ (common.height_mm - common.wear_mm)),
        log_total + log_scale,
    )


def _in_list_or_not(listed: CodePosterior, anything: CodePosterior) -> CodePosterior:
    """The bitting is one of the list, or the list is not the one that the key is in."""
    p = _in_list_p(listed.log_evidence, anything.log_evidence)
    share = np.array([p, 1 - p])
    wear = np.array([listed.wear_mm, anything.wear_mm])
    wear_u = np.array([listed.wear_u_mm, anything.wear_u_mm])
    mean = float(share @ wear)
    return CodePosterior(
        p * listed.probabilities + (1 - p) * anything.probabilities,
        mean,
        max(float(share @ (wear_u**2 + wear**2)) - mean**2, 0.0) ** 0.5,
        p * listed.offset_mm + (1 - p) * anything.offset_mm,
        float(np.logaddexp(*_log_weights(listed.log_evidence, anything.log_evidence))),
    )


def _log_weights(log_listed: float, log_any: float) -> tuple[float, float]:
    return math.log1p(-LIST_WRONG_P) + log_listed, math.log(LIST_WRONG_P) + log_any


def _in_list_p(log_listed: float, log_any: float) -> float:
    """Probability that the key is in the list, by the evidence of its bittings and of any bitting."""
    in_list, other = _log_weights(log_listed, log_any)
    return float(np.exp(in_list - np.logaddexp(in_list, other)))


def _listed_posterior(
    likelihood: Array, log_scale: float, common: HeightErrors, bittings: NDArray[np.int_]
) -> CodePosterior:
    """The posterior where the bitting is one of a list, all of them equally likely beforehand."""
    joint = _listed_joint(likelihood, bittings) * common.weight[:, None]
    total = max(float(joint.sum()), DEEPER)
    node, entry = joint.sum(axis=1) / total, joint.sum(axis=0) / total
    probabilities = np.zeros(likelihood.shape[1:])
    for n in range(len(probabilities)):
        np.add.at(probabilities[n], bittings[:, n], entry)
    wear = float(node @ common.wear_mm)
    variance = float(node @ common.wear_mm**2) - wear**2
    offset = float(node @ (common.height_mm - common.wear_mm))
    evidence = math.log(total) + log_scale - math.log(len(bittings))
    return CodePosterior(probabilities, wear, max(variance, 0.0) ** 0.5, offset, evidence)


def _listed_joint(likelihood: Array, bittings: NDArray[np.int_]) -> Array:
    """Likelihood of each bitting of a list at each node; shape (nodes, bittings)."""
    joint = np.ones((len(likelihood), len(bittings)))
    for n, codes in enumerate(bittings.T):  # one cut at a time: a list of a hundred thousand fits into memory
        joint *= likelihood[:, n, codes]
    return joint


def _with_known(log_likelihood: Array, profile: Profile, known: Known) -> tuple[Array, float]:
    """Rule out the codes that are known to be wrong; a blade that can't have the right ones is all but ruled out."""
    allowed = known.allowed(profile)
    if allowed is None:
        return log_likelihood, math.log(AGAINST_KNOWN_P)
    return np.where(allowed, log_likelihood, RULED_OUT), 0.0


def best_bittings(
    profile: Profile,
    readings: tuple[EdgeReading, ...],
    width: Length,
    height_common_u_mm: float,
    known: Known = NOTHING_KNOWN,
) -> tuple[tuple[Codes, float], ...]:
    """Return the likeliest whole bittings with their probabilities, likeliest first; parameters as `code_posterior`."""
    common = height_errors(profile, width, height_common_u_mm, len(readings))
    log_likelihood, _ = _with_known(_log_likelihood(profile, readings, common), profile, known)
    likelihood, _ = _scaled(log_likelihood)
    step = _steps(profile)
    log_total = float(np.logaddexp.reduce(np.log(common.weight) + _sweep(likelihood, step)[1]))
    anything = _best(profile, likelihood, step, common.weight, log_total)
    bittings = known.bittings(profile)
    if bittings is None or len(bittings) == 0:
        return anything
    joint = common.weight @ _listed_joint(likelihood, bittings)
    total = max(float(joint.sum()), DEEPER)
    log_count = _log_count(step, known.allowed(profile), len(profile.positions_mm))
    in_list_p = _in_list_p(math.log(total) - math.log(len(bittings)), log_total - log_count)
    p_of = {codes: (1 - in_list_p) * p for codes, p in anything}
    for row, p in zip(bittings, joint / total, strict=True):
        codes = tuple(profile.codes[c] for c in row)
        p_of[codes] = p_of.get(codes, 0.0) + in_list_p * float(p)
    return tuple(sorted(p_of.items(), key=lambda item: -item[1])[:BEST])


def root_log_likelihood(reading: EdgeReading, root_mm: Array, sd_mm: Array) -> Array:
    """Log of the likelihood of one edge's roots against roots of any height.

    Parameters
    ----------
    reading : EdgeReading
    root_mm : ndarray, shape (..., cuts, codes)
        What the roots should be.
    sd_mm : ndarray
        Their scatter; broadcasts against ``root_mm``.

    Returns
    -------
    ndarray, shape (..., cuts, codes)
        Zero where the root was not read.
    """
    seen = np.isfinite(reading.root_mm)
    u = np.where(seen, reading.root_u_mm, 1.0)[:, None]
    off = np.where(seen, reading.root_mm, 0.0)[:, None] - root_mm
    variance = u**2 + sd_mm**2
    wrong_p = reading.wrong_p[:, None]
    right = (1 - wrong_p) * u / np.sqrt(variance) * np.exp(-0.5 * off**2 / variance)
    wide = u**2 + WRONG_EDGE_SD_MM**2
    far, span = WRONG_EDGE_FAR
    near = (1 - far) * u / np.sqrt(wide) * np.exp(-0.5 * off**2 / wide)
    wrong = wrong_p * (near + far * u * math.sqrt(2 * math.pi) / span)
    return np.where(seen[:, None], np.log(right + wrong + DEEPER), 0.0)


def _log_likelihood(profile: Profile, readings: tuple[EdgeReading, ...], common: HeightErrors) -> Array:
    """Of every code at every position and node; shape (nodes, cuts, codes)."""
    as_made = np.hypot(AS_MADE_SD_MM if profile.as_made_sd_mm is None else profile.as_made_sd_mm, _roots_sd(profile))
    uncut = full_height(profile)
    worn = common.wear_mm[:, None] * ~uncut[None, :]
    off = np.where(uncut, common.land_mm[:, None], common.height_mm[:, None])
    root = np.asarray(profile.roots_mm)[None, :] + off - worn
    sd = np.where(uncut, UNCUT_SD_MM, np.sqrt(as_made**2 + (WEAR_SPREAD * worn) ** 2))
    each = np.sum([root_log_likelihood(reading, root[:, None, :], sd[:, None, :]) for reading in readings], axis=0)
    volume = np.sum([_uncut_log_volume(reading) for reading in readings], axis=0)
    return np.asarray(each + np.where(uncut, volume[:, None], 0.0))


def _roots_sd(profile: Profile) -> Array:
    """Standard uncertainty of each code's root, of a blade that was itself measured."""
    return np.asarray(profile.roots_sd_mm) if profile.roots_sd_mm else np.zeros(len(profile.roots_mm))


def _uncut_log_volume(reading: EdgeReading) -> Array:
    """Takes back the volume of each root's uncertainty: an uncut place has no root that was fitted."""
    seen = np.isfinite(reading.root_mm)
    u = np.where(seen, reading.root_u_mm, 1.0)
    return np.where(seen, np.log(np.sqrt(u**2 + UNCUT_SD_MM**2) / u), 0.0)


def _scaled(log_likelihood: Array) -> tuple[Array, float]:
    """Likelihoods scaled so that the greatest of each cut is 1, and the log of the scale."""
    top = log_likelihood.max(axis=(0, 2), keepdims=True)
    return np.exp(log_likelihood - top), float(top.sum())


def _steps(profile: Profile) -> Array:
    """How likely each code follows each code, up to a factor; shape (codes, codes)."""
    rank = np.arange(len(profile.roots_mm))
    if profile.macs is None:
        return np.ones((len(rank), len(rank)))
    return np.where(np.abs(rank[:, None] - rank) <= profile.macs, 1.0, VIOLATION_P)


def _sweep(likelihood: Array, step: Array) -> tuple[Array, Array]:
    """Run the sums along the blade.

    Returns the running sums at every cut, each scaled to add up to 1, shape as ``likelihood``, and the log of the
    whole sum at every node.
    """
    sums = np.empty_like(likelihood)
    log_total = np.zeros(len(likelihood))
    before = np.ones(likelihood[:, 0].shape)
    for n in range(likelihood.shape[1]):
        here = likelihood[:, n] * (before if n == 0 else before @ step)
        total = here.sum(axis=1, keepdims=True) + DEEPER
        sums[:, n] = before = here / total
        log_total += np.log(total[:, 0])
    return sums, log_total


def _log_count(step: Array, allowed: NDArray[np.bool_] | None, cuts: int) -> float:
    """Log of the number of possible bittings, those beyond the MACS counted as little as they are likely."""
    possible = np.ones((cuts, len(step))) if allowed is None else allowed.astype(float)
    return float(_sweep(possible[None], step)[1][0])


def _best(
    profile: Profile, likelihood: Array, step: Array, weight: Array, log_total: float
) -> tuple[tuple[Codes, float], ...]:
    """Likeliest whole bittings: a beam of beginnings, each with the exact probability of all its endings."""
    ending = np.ones(likelihood.shape)
    for n in range(likelihood.shape[1] - 2, -1, -1):
        ending[:, n] = (likelihood[:, n + 1] * ending[:, n + 1]) @ step.T
        ending[:, n] /= ending[:, n].max()  # only compared within one cut
    codes = np.arange(likelihood.shape[2])[:, None]
    part = likelihood[:, 0].T * weight
    for n in range(likelihood.shape[1]):
        if n:
            part, codes = _longer(part, codes, step, likelihood[:, n].T)
        p = np.einsum("bg,gb->b", part, ending[:, n][:, codes[:, -1]])
        keep = np.argsort(-p, kind="stable")[:BEAM]
        part, codes, p = part[keep], codes[keep], p[keep]
    p = p * np.exp(-log_total)
    return tuple((tuple(profile.codes[c] for c in codes[i]), float(min(p[i], 1.0))) for i in range(min(BEST, len(p))))


def _longer(part: Array, codes: NDArray[np.int_], step: Array, likelihood: Array) -> tuple[Array, NDArray[np.int_]]:
    """Every beginning followed by every code."""
    count = len(likelihood)
    grown = part[:, None, :] * step[codes[:, -1]][:, :, None] * likelihood[None]
    longer = np.column_stack([np.repeat(codes, count, axis=0), np.tile(np.arange(count), len(codes))])
    return grown.reshape(-1, part.shape[1]), longer
