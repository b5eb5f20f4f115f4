"""From a reading and caliper values to a new reading: blanks and codes weighed anew, contradictions told.

Works on the fixed JSON form, so that the photo isn't needed any more.  A caliper's value of a cut is compared with each
depth code, one of the blade with each candidate's nominal size; what no candidate explains speaks for the rest.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from keyid.length import Length, in_mm
from keyid.probability import percent
from keyid.profiles.profile import Profile, same_outline
from keyid.rankings.height_errors import width_sd_mm
from keyid.readings.bitting import CALIPER_U_MM, LEFT_P, WORTH_NATS, information
from keyid.readings.reading import length_json, rounded_shares

Json = dict[str, Any]
Table = dict[str, float]

ROOT_MADE_SD_MM = 0.025  # roots as made scatter by that (trade limit of 0.05 mm is two sd)
LENGTH_MADE_SD_MM = 0.05  # blades of one profile differ in length and grooves by that
MEASURE = "Measure"  # begins what is to be measured; whatever else is asked for is a look
SLIP = (0.01, 5.0)  # share of slips of hand or pen, and over how many mm they spread
APART_U = 3.0  # values further apart contradict each other (99.7 %)
SIZE_WORDS = {
    "width": "width across the uncut blade",
    "length": "length from shoulder to tip",
    **{
        f"{face}-{wall}": f"distance on the {face} face from the lower edge to the {wall} wall of the lowest groove"
        for face in ("left", "right")
        for wall in ("near", "far")
    },
}
"""Sizes of the blade that a caliper decides; grooves as the profile files count them."""
TOLD_P = 0.005  # of what a value would mean; less is 0 % in words
DIGITS = 4  # of probabilities, as in the reading


@dataclass(frozen=True)
class HandValue:
    """A caliper's value: of one of `SIZE_WORDS`, or (``root``) of the metal left at ``cut`` (1 is read first)."""

    what: str
    mm: float
    cut: int = 0


@dataclass(frozen=True)
class HandMeasurement:
    """A measurement that could be made by hand: what it would mean, and how much it tells."""

    value: HandValue
    words: str
    outcomes: tuple[tuple[str, float, float], ...]
    gain_nats: float

    @property
    def why(self) -> str:
        """What which value would mean, likeliest first."""
        worth = [outcome for outcome in self.outcomes if outcome[1] >= TOLD_P]
        likely = sorted(worth, key=lambda outcome: -outcome[1])[:3]
        return "; ".join(f"{mm:.2f} mm: {name} ({percent(p)})" for name, p, mm in likely)


def hand_measurements(reading: Json, profiles: Mapping[str, Profile]) -> list[HandMeasurement]:
    """List what to measure by hand, what tells most first; what tells next to nothing is left out."""
    wanted = [*(_size(reading, profiles, what) for what in SIZE_WORDS), *_roots(reading, profiles)]
    told = [one for one in wanted if one is not None and one.gain_nats >= WORTH_NATS]
    return sorted(told, key=lambda one: -one.gain_nats)


def confirmed(reading: Json, profiles: Mapping[str, Profile], values: list[HandValue]) -> tuple[Json, list[str]]:
    """Return the new reading, and a sentence for each contradiction.

    Parameters
    ----------
    reading : dict
        In the form ``keyid-reading/1``, of a key that was measured.
    profiles : mapping of str to Profile
        By id; holds all candidates.
    values : list of HandValue
    """
    new = copy.deepcopy(reading)
    said = _disagreeing(values)
    for value in values:
        if value.what != "root":
            said += _weigh_size(new, profiles, value)
        elif new["bitting"] is None or value.cut > len(new["bitting"]["cuts"]):
            said.append(f"This reading has no cut {value.cut} to compare {value.mm:.2f} mm with.")
        else:
            said += _weigh_root(new, profiles, value)
    best = hand_measurements(new, profiles)
    measured = {"what": f"{MEASURE} the {best[0].words}.", "why": best[0].why + "."} if best else None
    new["next_measurement"] = measured or _look_left(new)
    new["confirm"] = [check for check in new["confirm"] if not any(_is_of(check, value) for value in values)]
    return new, said


def _look_left(reading: Json) -> Json | None:
    """What the reading asked for that is no measurement, such as a look at the faces, where it still decides."""
    asked: Json | None = reading["next_measurement"]
    left = sum(candidate["probability"] >= LEFT_P for candidate in reading["candidates"])
    decides = reading["blade"]["edges"] is None or left > 1
    return asked if asked is not None and decides and not asked["what"].startswith(MEASURE) else None


def _disagreeing(values: list[HandValue]) -> list[str]:
    """Say where two values of the same thing contradict each other."""
    said = []
    for n, one in enumerate(values):
        for other in values[:n]:
            same = (one.what, one.cut) == (other.what, other.cut)
            if same and abs(one.mm - other.mm) > APART_U * math.sqrt(2) * CALIPER_U_MM:
                words = f"cut {one.cut}" if one.cut else one.what
                said.append(f"Your two values of {words} contradict each other: {other.mm:.2f} and {one.mm:.2f} mm.")
    return said


def _weigh_size(reading: Json, profiles: Mapping[str, Profile], value: HandValue) -> list[str]:
    """Weigh the blades by a size."""
    seen = reading["blade"].get(value.what)
    likelihood = []
    for candidate in reading["candidates"]:
        profile = profiles[candidate["profile"]]
        nominal = _nominal(profile, value.what)
        made = width_sd_mm(profile) if value.what == "width" else LENGTH_MADE_SD_MM
        likelihood.append(1 / SLIP[1] if nominal is None else _density(value.mm - nominal, made))
    said = [] if seen is None else _against_photo(value, _length(seen), SIZE_WORDS[value.what])
    if not said and seen is not None:
        reading["blade"][value.what] = length_json(_mean(_length(seen), value.mm))
    before_p = _blade_p(reading)
    _reweigh(reading, profiles, likelihood, 1 / SLIP[1])
    if reading["bitting"] is not None:
        _follow_blade(reading, profiles, _blade_p(reading) / max(before_p, 1e-9))
    return said


def _follow_blade(reading: Json, profiles: Mapping[str, Profile], factor: float) -> None:
    """Name the bitting after the blade that is now likeliest of its group, and scale its probabilities with it."""
    bitting = reading["bitting"]
    was, now = profiles[bitting["profile"]], profiles[reading["candidates"][0]["profile"]]
    if (was.codes, was.order) == (now.codes, now.order):
        bitting["profile"] = now.id
    for one in (bitting, *bitting["cuts"]):
        one["probability"] = round(one["probability"] * factor, DIGITS)
    for listed in (bitting["also"], *(cut["others"] for cut in bitting["cuts"])):
        listed[:] = [[code, round(p * factor, DIGITS)] for code, p in listed]


def _weigh_root(reading: Json, profiles: Mapping[str, Profile], value: HandValue) -> list[str]:
    """Weigh the codes of one cut, with them the whole bittings, and the blade against the others."""
    bitting = reading["bitting"]
    cut = bitting["cuts"][value.cut - 1]
    profile = profiles[bitting["profile"]]
    blade_p = _blade_p(reading)
    roots = dict(zip(profile.codes, profile.roots_mm, strict=True))
    wear = _length(bitting["wear_mm"])
    made = math.hypot(ROOT_MADE_SD_MM, wear.u_mm)
    like = {code: _density(value.mm - root + wear.mm, made) for code, root in roots.items()}
    words = f"metal left at cut {value.cut}"
    said = _against_photo(value, _length(cut["root"]), words) if cut["code"] != "?" else []
    if min(abs(value.mm - root + wear.mm) for root in roots.values()) > APART_U * math.hypot(made, CALIPER_U_MM):
        said.append(f"The {words}, {value.mm:.2f} mm by hand, is no depth of the blade {profile.name}.")
    tables = [_table(one, blade_p, profile) for one in bitting["cuts"]]
    predicted = sum(p * like[code] for code, p in tables[value.cut - 1].items())
    photo = _density(value.mm - cut["root"]["value"], cut["root"]["u"])
    first = reading["candidates"][0]
    likelihood = [predicted if _cut_alike(first, c, profiles) else photo for c in reading["candidates"]]
    _reweigh(reading, profiles, likelihood, photo)
    _rewrite_bitting(reading, tables, value.cut - 1, like, blade_p)
    if not said:
        cut["root"] = length_json(_mean(_length(cut["root"]), value.mm))
    return said


def _rewrite_bitting(reading: Json, tables: list[Table], at: int, like: Table, before_p: float) -> None:
    """Weigh whole bittings by the code that they have at one cut; what they leave follows each cut's own table."""
    bitting, blade_p = reading["bitting"], _blade_p(reading)
    told = [[bitting["code"], bitting["probability"]], *bitting["also"]]
    whole = {tuple(code.split("-")): p / before_p for code, p in told}
    rest = max(0.0, 1 - sum(whole.values()))
    whole = {codes: p * like.get(codes[at], 0.0) for codes, p in whole.items()}
    rest *= sum(p * like[code] for code, p in tables[at].items())
    tables[at] = _normalised({code: p * like[code] for code, p in tables[at].items()})
    total = sum(whole.values()) + rest
    if total > 0:
        whole, rest = {codes: p / total for codes, p in whole.items()}, rest / total
    for n, (cut, table) in enumerate(zip(bitting["cuts"], tables, strict=True)):
        mixed = {code: rest * p for code, p in table.items()}
        for codes, p in whole.items():
            if codes[n] in mixed:
                mixed[codes[n]] += p
        _write_cut(cut, table if n == at else _normalised(mixed), blade_p)
    bitting["code"] = "-".join(cut["code"] for cut in bitting["cuts"])
    ranked = sorted(whole.items(), key=lambda item: -item[1])
    by_code = {"-".join(codes): round(p * blade_p, DIGITS) for codes, p in ranked}
    product = math.prod(table[cut["code"]] for cut, table in zip(bitting["cuts"], tables, strict=True)) * blade_p
    least = min(cut["probability"] for cut in bitting["cuts"])  # rounding mustn't leave all surer than each
    bitting["probability"] = min(by_code.pop(bitting["code"], round(rest * product, DIGITS)), least)
    bitting["also"] = [[code, p] for code, p in by_code.items() if p >= 0.01 and "?" not in code]


def _write_cut(cut: Json, table: Table, blade_p: float) -> None:
    ranked = sorted(table.items(), key=lambda item: -item[1])
    cut["code"], best = ranked[0]
    cut["probability"] = round(best * blade_p, DIGITS)
    cut["others"] = [[code, round(p * blade_p, DIGITS)] for code, p in ranked[1:] if p >= 0.005]


def _table(cut: Json, blade_p: float, profile: Profile) -> Table:
    """Codes of one cut, given the blade; what isn't told is spread over the codes that aren't."""
    told = {code: p for code, p in [[cut["code"], cut["probability"]], *cut["others"]] if code in profile.codes}
    table = {code: told.get(code, 0.0) / max(blade_p, 1e-9) for code in profile.codes}
    left = [code for code in profile.codes if code not in told]
    for code in left:
        table[code] = max(0.0, 1 - sum(table[c] for c in told)) / len(left)
    return _normalised({code: p + 1e-6 for code, p in table.items()})


def _reweigh(reading: Json, profiles: Mapping[str, Profile], likelihood: list[float], rest: float) -> None:
    """Weigh candidates, all other profiles and none of these."""
    weights = [c["probability"] * like for c, like in zip(reading["candidates"], likelihood, strict=True)]
    weights += [reading["others"] * rest, reading["none_of_these"] * rest]
    total = sum(weights)
    if total <= 0:
        return
    shares = rounded_shares([weight / total for weight in weights])
    for candidate, share in zip(reading["candidates"], shares, strict=False):
        candidate["probability"] = share
    reading["others"], reading["none_of_these"] = shares[-2], shares[-1]
    was = reading["candidates"][0]
    reading["candidates"].sort(key=lambda candidate: -candidate["probability"])
    if not _cut_alike(was, reading["candidates"][0], profiles):
        reading["bitting"] = None  # the cuts were read for another blade


def _cut_alike(one: Json, other: Json, profiles: Mapping[str, Profile]) -> bool:
    """Tell whether two candidates have the same cuts: the photo may still tell their grooves apart."""
    return one["group"] == other["group"] or same_outline(profiles[one["profile"]], profiles[other["profile"]])


def _nominal(profile: Profile, what: str) -> float | None:
    """A size as the profile says; None where it doesn't, or where a caliper can't take it."""
    if what == "width":
        return profile.width_mm
    if what == "length":
        return profile.length_mm if profile.stop == "shoulder" else None
    face, _, wall = what.partition("-")
    grooves = profile.grooves_left_mm if face == "left" else profile.grooves_right_mm
    return grooves[0][0 if wall == "near" else 1] if grooves else None


def _size(reading: Json, profiles: Mapping[str, Profile], what: str) -> HandMeasurement | None:
    """A size that all candidates have, where they differ in it."""
    outcomes = []
    for candidate in reading["candidates"]:
        profile = profiles[candidate["profile"]]
        nominal = _nominal(profile, what)
        if nominal is None:
            return None
        outcomes.append((profile.name, candidate["probability"], nominal))
    return _measurement(HandValue(what, 0.0), SIZE_WORDS[what], outcomes)


def _roots(reading: Json, profiles: Mapping[str, Profile]) -> list[HandMeasurement | None]:
    """Each root of the likeliest blade."""
    bitting = reading["bitting"]
    if bitting is None:
        return []
    profile, blade_p, wear = profiles[bitting["profile"]], _blade_p(reading), bitting["wear_mm"]["value"]
    roots = dict(zip(profile.codes, profile.roots_mm, strict=True))
    found = []
    for number, cut in enumerate(bitting["cuts"], 1):
        table = _table(cut, blade_p, profile)
        outcomes = [(f"code {code}", p * blade_p, roots[code] - wear) for code, p in table.items()]
        words = f"metal left at cut {number}, {cut['position']['value']:.2f} mm from the {profile.stop}"
        found.append(_measurement(HandValue("root", 0.0, number), words, outcomes))
    return found


def _measurement(value: HandValue, words: str, outcomes: list[tuple[str, float, float]]) -> HandMeasurement | None:
    possible = tuple(outcome for outcome in outcomes if outcome[1] > 0)
    if len(possible) < 2:
        return None
    gain = information(np.array([p for _, p, _ in possible]), np.array([mm for *_, mm in possible]))
    return HandMeasurement(value, words, possible, gain)


def _against_photo(value: HandValue, photo: Length, words: str) -> list[str]:
    off = value.mm - photo.mm
    if abs(off) <= APART_U * math.hypot(photo.u_mm, CALIPER_U_MM):
        return []
    return [f"The {words} is {value.mm:.2f} mm by hand, {in_mm(photo)} mm in the photo: measure again."]


def _is_of(check: Json, value: HandValue) -> bool:
    """Tell whether a caliper's value settles what was to be confirmed."""
    return str(check["what"]).startswith(f"metal left at cut {value.cut} " if value.cut else value.what)


def _blade_p(reading: Json) -> float:
    group = reading["candidates"][0]["group"]
    return float(sum(c["probability"] for c in reading["candidates"] if c["group"] == group))


def _density(off_mm: float, made_sd_mm: float) -> float:
    sd = math.hypot(CALIPER_U_MM, made_sd_mm)
    right = math.exp(-0.5 * (off_mm / sd) ** 2) / (math.sqrt(2 * math.pi) * sd)
    return (1 - SLIP[0]) * right + SLIP[0] / SLIP[1]


def _mean(photo: Length, hand_mm: float) -> Length:
    """Weighted mean of the photo's and the caliper's value."""
    weights = 1 / photo.u_mm**2, 1 / CALIPER_U_MM**2
    return Length((photo.mm * weights[0] + hand_mm * weights[1]) / sum(weights), sum(weights) ** -0.5)


def _normalised(table: Table) -> Table:
    total = sum(table.values())
    return {code: p / total for code, p in table.items()} if total > 0 else table


def _length(value: Json) -> Length:
    return Length(value["value"], value["u"])
