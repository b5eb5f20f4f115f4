"""From the ranking to the bitting, to the next hand measurement, and to what to confirm before metal is cut."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.length import COVERAGE, Length
from keyid.probability import percent
from keyid.profiles.profile import Profile
from keyid.rankings.known import NOTHING_KNOWN, Known
from keyid.rankings.ranking import Candidate, Ranking
from keyid.readings.reading import BittingCut, BittingFacts, Confirmation, NextMeasurement

Array = NDArray[np.float64]

UNREAD = "?"
NONE_MAX_P = 0.5  # when none of these is likelier than not, no bitting is told
OTHERS_MIN_P = 0.005  # less likely codes of a cut aren't told
ALSO_MIN_P = 0.01  # nor less likely whole bittings
CALIPER_U_MM = 0.03  # of a careful hand measurement on a blade, the blade's own scatter included
TURN_MM = 0.005  # spacing of the values that a hand measurement is imagined to give
TOLD_P = 0.01  # an alternative less likely isn't worth a person's reading
DECIDED_P, LEFT_P = 0.90, 0.05  # blades less likely aren't worth a look once the first are so likely, or at all
WORTH_NATS = 0.08  # a measurement that tells less isn't worth asking for
CONFIRM_CUTS = 3  # the least sure cuts are to be confirmed
CUT_WORDS = "metal left at cut"
UNREAD_U_MM = 0.2  # where a cut stands that can't be read


def read_bitting(ranking: Ranking, blade: Blade, known: Known = NOTHING_KNOWN) -> BittingFacts | None:
    """Return the bitting of the likeliest blade; None where nothing is cut, or where no blade fits.

    Every probability is that of the blade, or one that looks the same, *and* the codes being right.
    """
    if blade.edges is None or not ranking.candidates or ranking.none_of_these >= NONE_MAX_P:
        return None
    first = ranking.candidates[0]
    decoded, profile = first.decoded, first.decoded.profile
    if not decoded.best:
        return None
    blade_p = group_probability(ranking, first.group)
    order = _reading_order(profile)
    codes, p = decoded.best[0]
    cuts = tuple(_cut(first, i, codes[i], blade_p) for i in order)
    code = "-".join(cut.code for cut in cuts)
    unread = {i for i in order if decoded.roots[i] is None}
    also = () if unread else _also(decoded.best[1:], order, blade_p)
    whole = 0.0 if unread else blade_p * p
    number = known.number_of(tuple(cut.code for cut in cuts))
    return BittingFacts(profile.id, profile.order, code, whole, cuts, also, decoded.wear, decoded.shift, number)


def group_probability(ranking: Ranking, group: str) -> float:
    """Probability of a blade and of those that a photo can't tell from it."""
    return min(1.0, sum(c.probability for c in ranking.candidates if c.group == group))


def _reading_order(profile: Profile) -> list[int]:
    order = list(range(len(profile.positions_mm)))
    return order if profile.stop_first else order[::-1]


def _cut(candidate: Candidate, i: int, code: str, blade_p: float) -> BittingCut:
    decoded = candidate.decoded
    root, position = decoded.roots[i], decoded.positions[i]
    table = decoded.code_probabilities[i]
    if root is None or position is None:
        place = Length(candidate.profile.positions_mm[i] + decoded.shift.mm, UNREAD_U_MM)
        return BittingCut(place, _any_root(candidate.profile), UNREAD, 0.0, _others(table, UNREAD, blade_p))
    return BittingCut(position, root, code, blade_p * table[code], _others(table, code, blade_p))


def _any_root(profile: Profile) -> Length:
    """The root of an unread cut: anything that the profile can have, evenly likely (JCGM 100:2008, 4.3.7)."""
    low, high = min(profile.roots_mm), max(profile.roots_mm)
    return Length((low + high) / 2, (high - low) / math.sqrt(12))


def _others(table: dict[str, float], code: str, blade_p: float) -> tuple[tuple[str, float], ...]:
    rest = [(other, blade_p * p) for other, p in table.items() if other != code and p >= OTHERS_MIN_P]
    return tuple(sorted(rest, key=lambda item: -item[1]))


def _also(
    best: tuple[tuple[tuple[str, ...], float], ...], order: list[int], blade_p: float
) -> tuple[tuple[str, float], ...]:
    return tuple(("-".join(codes[i] for i in order), blade_p * p) for codes, p in best if p >= ALSO_MIN_P)


@dataclass(frozen=True)
class _Choice:
    """A hand measurement that could be asked for.

    ``outcomes`` are (what it would mean, probability, expected value in mm): alternatives that it tells apart.
    """

    what: str
    outcomes: tuple[tuple[str, float, float], ...]

    @property
    def gain_nats(self) -> float:
        """Expected information: how much less unsure one is after the measurement."""
        return information(np.array([p for _, p, _ in self.outcomes]), np.array([mm for *_, mm in self.outcomes]))


def next_measurement(ranking: Ranking, blade: Blade) -> NextMeasurement | None:
    """Return the hand measurement expected to tell most about blades and codes; None where none is worth it."""
    if not ranking.candidates or ranking.none_of_these >= NONE_MAX_P:
        return None
    choices = [*_size_choices(ranking, blade), *_groove_choices(ranking), *_root_choices(ranking, blade)]
    choices = [choice for choice in choices if len(choice.outcomes) > 1 and choice.gain_nats >= WORTH_NATS]
    if not choices:
        return _look(ranking, blade)
    best = max(choices, key=lambda choice: choice.gain_nats)
    return NextMeasurement(best.what, _why(best))


def _look(ranking: Ranking, blade: Blade) -> NextMeasurement | None:
    """A look that no photo gives, where no length tells more; None where all is told."""
    if blade.edges is None:
        why = "Tracks or dimples: a key cut on its face. Smooth faces: a blank."
        return NextMeasurement("Look at both faces of the blade for cuts.", why)
    first = ranking.candidates[0].group
    least = 1.0 if group_probability(ranking, first) >= DECIDED_P else LEFT_P
    alike = [c.profile.name for c in ranking.candidates if c.group == first or c.probability >= least]
    if len(alike) < 2:
        return None
    what = "Hold the key end-on beside the blanks and compare the sections, or try them in the keyway."
    return NextMeasurement(what, f"Neither the photo nor a length tells {' and '.join(alike[:3])} apart.")


def _why(choice: _Choice) -> str:
    likely = sorted((outcome for outcome in choice.outcomes if outcome[1] >= TOLD_P), key=lambda told: -told[1])[:3]
    told = "; ".join(f"{mm:.2f} mm: {name} ({percent(p)})" for name, p, mm in likely)
    return told + ("; otherwise it is another." if len(likely) == 1 else ".")


def information(p: Array, mm: Array) -> float:
    """Mutual information in nats between alternatives and a caliper's value, by integration over the value."""
    p = p / p.sum()
    value = np.arange(mm.min() - 4 * CALIPER_U_MM, mm.max() + 4 * CALIPER_U_MM, TURN_MM)
    density = np.exp(-0.5 * ((value[None, :] - mm[:, None]) / CALIPER_U_MM) ** 2) + 1e-300
    share = p[:, None] * density
    share /= share.sum(axis=0)
    before = -float(np.sum(p * np.log(np.maximum(p, 1e-300))))
    weight = p @ density
    after = -np.sum(share * np.log(np.maximum(share, 1e-300)), axis=0)
    return max(0.0, before - float(weight @ after / weight.sum()))


def _size_choices(ranking: Ranking, blade: Blade) -> list[_Choice]:
    """Width, and for a shoulder stop length, where the candidates differ in it."""
    width = [(c, c.profile.width_mm) for c in ranking.candidates]
    choices = [_Choice("Measure the blade's width with a caliper, on an uncut stretch.", _blades(width))]
    lengths = [(c, c.profile.length_mm) for c in ranking.candidates if c.profile.stop == "shoulder"]
    if blade.stop == "shoulder" and len(lengths) == len(ranking.candidates):
        known = [(c, mm) for c, mm in lengths if mm is not None]
        if len(known) == len(lengths):
            choices.append(_Choice("Measure the blade's length with a caliper, from shoulder to tip.", _blades(known)))
    return choices


def _blades(values: list[tuple[Candidate, float]]) -> tuple[tuple[str, float, float], ...]:
    return tuple((c.profile.name, c.probability, mm) for c, mm in values if c.probability > 0)


def _groove_choices(ranking: Ranking) -> list[_Choice]:
    """The rims of the grooves on each face: a photo shows those of one face, as far as light allows."""
    choices = []
    for face in ("left", "right"):
        grooves = {c.profile.id: getattr(c.profile, f"grooves_{face}_mm") for c in ranking.candidates}
        if not all(grooves.values()):
            continue
        for end, word in ((0, "near"), (1, "far")):
            values = [(c, grooves[c.profile.id][0][end]) for c in ranking.candidates]
            what = f"Measure on the {face} face from the lower edge to the {word} wall of the lowest groove."
            choices.append(_Choice(what, _blades(values)))
    return choices


def _root_choices(ranking: Ranking, blade: Blade) -> list[_Choice]:
    """Each root of the likeliest blade: which code it is."""
    if blade.edges is None:
        return []
    first = ranking.candidates[0]
    blade_p = group_probability(ranking, first.group)
    choices = []
    for number, i in enumerate(_reading_order(first.decoded.profile), 1):
        if not first.decoded.code_probabilities:
            continue
        table = first.decoded.code_probabilities[i]
        worn = first.decoded.wear.mm
        roots = dict(zip(first.profile.codes, first.profile.roots_mm, strict=True))
        outcomes = tuple((f"code {code}", blade_p * p, roots[code] - worn) for code, p in table.items() if p > 0)
        seen = first.decoded.positions[i]
        place = first.profile.positions_mm[i] + first.decoded.shift.mm if seen is None else seen.mm
        what = f"Measure the metal left at cut {number} with a caliper, {place:.2f} mm from the {first.profile.stop}."
        choices.append(_Choice(what, outcomes))
    return choices


def confirm_list(ranking: Ranking, bitting: BittingFacts | None, blade: Blade) -> tuple[Confirmation, ...]:
    """Return what to confirm by hand before metal is cut: the least sure cuts, width and length.

    A caliper's value further off than the tolerance means that the reading is wrong.
    """
    checks = [_confirmation("width of the uncut blade", blade.width)]
    if blade.length is not None and blade.stop == "shoulder":
        checks.append(_confirmation("length from shoulder to tip", blade.length))
    if bitting is None:
        return tuple(checks)
    least = sorted(range(len(bitting.cuts)), key=lambda i: bitting.cuts[i].probability)[:CONFIRM_CUTS]
    cuts = [_confirmation(_cut_words(ranking, bitting, i), bitting.cuts[i].root) for i in least]
    return (*cuts, *checks)


def _cut_words(ranking: Ranking, bitting: BittingFacts, i: int) -> str:
    cut = bitting.cuts[i]
    stop = ranking.candidates[0].profile.stop
    return f"{CUT_WORDS} {i + 1} (code {cut.code}), {cut.position.mm:.2f} mm from the {stop}"


def _confirmation(what: str, expected: Length) -> Confirmation:
    return Confirmation(what, expected, COVERAGE * math.hypot(expected.u_mm, CALIPER_U_MM))
