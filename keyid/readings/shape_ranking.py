"""Which profiles a blade can be when nothing tells its size: by its proportions alone.

Every blade is tried at the size that gives it its own width.  What is left, length, spacing and depths against that
width, is weighed as ever, and each time against an unlisted key of that size, so that sizes don't count by themselves.
"""

from __future__ import annotations

import math
from dataclasses import replace

from keyid.blades.blade import Blade
from keyid.blades.unscaled import USUAL_WIDTH, sized
from keyid.length import Length
from keyid.profiles.profile import Profile
from keyid.rankings.known import NOTHING_KNOWN, Known
from keyid.rankings.ranking import Fitted, Ranking, fit_ways, weigh
from keyid.rankings.unlisted import UNLISTED_P
from keyid.readings.bitting import CUT_WORDS
from keyid.readings.reading import NextMeasurement, Reading

WRONG_WIDTH_P = 0.08  # share of widths to a wrong line, as in the simulation (a guess, no source)
SAME_WIDTH_DIGITS = 2  # of mm: blades whose widths are equal to that are tried at one size
LIKELY_P = 0.05  # blades that are worth a person's time
SHOWN = 3  # of them are told
CARD_SIZE_U = 0.008  # relative u of a width beside a card (median of the rendered photos)


def rank_by_shape(blade: Blade, profiles: tuple[Profile, ...], known: Known = NOTHING_KNOWN) -> Ranking:
    """Rank every profile by the blade's proportions.

    Parameters
    ----------
    blade : Blade
        In any size; the uncertainty of its width is that of seeing it.
    profiles : tuple of Profile
    known : Known
        What is known of the codes beside the photo.
    """
    by_width: dict[float, list[Profile]] = {}
    for profile in profiles:
        by_width.setdefault(round(profile.width_mm, SAME_WIDTH_DIGITS), []).append(profile)
    fitted: list[Fitted] = []
    for width_mm, alike in by_width.items():
        found, log_unlisted = fit_ways(sized(blade, width_mm), tuple(alike), known, None)
        fitted += [replace(one, log_evidence=one.log_evidence - log_unlisted) for one in found]
    return _tempered(weigh(fitted, 0.0, len(profiles), known))


def _tempered(ranking: Ranking) -> Ranking:
    """The ranking with room for a width seen to a wrong line: then the proportions are wrong, and any key can be it."""
    right = 1 - WRONG_WIDTH_P
    candidates = tuple(replace(c, probability=c.probability * right) for c in ranking.candidates)
    any_listed = WRONG_WIDTH_P * (1 - UNLISTED_P)
    none = ranking.none_of_these * right + WRONG_WIDTH_P * UNLISTED_P
    return replace(ranking, candidates=candidates, none_of_these=none, others=ranking.others * right + any_listed)


def of_unknown_size(reading: Reading, ranking: Ranking, blade: Blade) -> Reading:
    """The reading with lengths as unsure as the size is, told that it rests on proportions, and what would decide."""
    relative_u = _size_u(ranking, blade)
    likely = [c.profile for c in ranking.candidates if c.probability >= LIKELY_P]
    facts = replace(reading.blade, width=_unsure(reading.blade.width, relative_u))
    if facts.length is not None:
        facts = replace(facts, length=_unsure(facts.length, relative_u))
    cuts = tuple(
        replace(cut, position=_unsure(cut.position, relative_u), root=_unsure(cut.root, relative_u))
        for cut in reading.cuts
    )
    note = (
        "Nothing of known size: blades are ranked by their proportions alone, each at its own width. The size is known "
        f"to ±{200 * relative_u:.0f} %, with a card to ±{200 * CARD_SIZE_U:.0f} %, and no width or length speaks for a "
        "blade or against it: a photo with a card would decide."
    )
    return replace(
        reading,
        blade=facts,
        cuts=cuts,
        next_measurement=_retake(likely),
        confirm=tuple(check for check in reading.confirm if check.what.startswith(CUT_WORDS)),
        notes=(note, *reading.notes),
    )


def _size_u(ranking: Ranking, blade: Blade) -> float:
    """Relative standard uncertainty of the size: the widths that the blades left have, and how well it is seen."""
    rest = max(0.0, 1 - sum(c.probability for c in ranking.candidates))
    spread = sum(c.probability * (c.profile.width_mm - blade.width.mm) ** 2 for c in ranking.candidates)
    variance = spread + rest * USUAL_WIDTH.u_mm**2
    return math.sqrt(variance + blade.width.u_mm**2) / blade.width.mm


def _unsure(length: Length, relative_u: float) -> Length:
    return Length(length.mm, math.hypot(length.u_mm, relative_u * length.mm))


def _retake(likely: list[Profile]) -> NextMeasurement:
    """What decides: a scale; the width by hand too, where the likely blades don't share one."""
    having: dict[str, list[str]] = {}
    for profile in likely:
        having.setdefault(f"{profile.width_mm:.2f} mm", []).append(profile.name)
    if len(having) < 2:
        return NextMeasurement("Take the photo again with a bank card.", "Then sizes count, not only proportions.")
    what = "Take the photo again with a bank card, or measure the blade's width with a caliper."
    widths = "; ".join(f"{width} {' or '.join(names)}" for width, names in [*having.items()][:SHOWN])
    return NextMeasurement(what, f"The width would tell: {widths}.")
