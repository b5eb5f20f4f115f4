"""What tells blades apart: feature by feature, by how much, whether a photo shows it, and what a caliper decides."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Literal

from keyid.profiles.profile import Profile

Seen = Literal["yes", "unsure", "no"]

SURE_US = 4.0  # two values so many standard uncertainties apart are taken for each other once in 44 times
UNSURE_US = 2.0  # likewise once in 6 times
SAME_MM = 0.0005  # values closer than half a micrometre are written the same
CALIPER_U_MM = 0.03  # of a careful hand measurement on a blade, the blade's own scatter included
# Standard uncertainties of a good photo beside a card, as measured on the development photos.
ROOT_U_MM = 0.05
POSITION_U_MM = 0.06
WIDTH_U_MM = 0.07
LENGTH_U_MM = 0.11
FLAT_U_MM = 0.15
GROOVE_U_MM = 0.15  # of a groove's wall, and only on the face that is up


@dataclass(frozen=True)
class Feature:
    """One feature of several blades.

    Attributes
    ----------
    name : str
    values : tuple of str
        As shown, one for each blade.
    numbers : tuple of float or None
        In mm; empty for a feature that isn't a length, None where a file doesn't tell.
    sds_mm : tuple of float
        Standard uncertainty of each number as the file states it, 0 where it states none; empty for all 0.
    photo : str
        Whether a good photo tells the different values apart: "yes", "unsure" or "no".
    by_hand : str
        How to measure it by hand; empty where a caliper doesn't help.
    note : str
        What to keep in mind; empty where nothing is.
    """

    name: str
    values: tuple[str, ...]
    numbers: tuple[float | None, ...]
    photo: Seen
    by_hand: str = ""
    note: str = ""
    sds_mm: tuple[float, ...] = ()

    @property
    def same(self) -> bool:
        """True when all blades agree in it."""
        return len(set(self.values)) == 1

    @property
    def gaps_mm(self) -> tuple[float, ...]:
        """Differences between neighbouring values, smallest first."""
        return _gaps(self.numbers)


@dataclass(frozen=True)
class Comparison:
    """Several blades and their features; ``look_alike`` are the pairs of ids that no photo tells apart for sure."""

    profiles: tuple[Profile, ...]
    features: tuple[Feature, ...]
    look_alike: tuple[tuple[str, str], ...]

    @property
    def measure(self) -> Feature | None:
        """The one hand measurement that tells most of the blades apart; None where a caliper tells nothing."""
        unseen = set(self.look_alike)
        ids = [profile.id for profile in self.profiles]
        told = [(f, [(ids[i], ids[j]) for i, j in _told_by_hand(f)]) for f in self.features if f.by_hand]
        useful = [(len(unseen.intersection(pairs)), len(pairs), min(f.gaps_mm), f) for f, pairs in told if pairs]
        return max(useful, key=lambda item: item[:3])[3] if useful else None


def compare(profiles: Sequence[Profile]) -> Comparison:
    """Compare two or more blades that are not all the same one."""
    features = tuple(_features(profiles))
    pairs = combinations(profiles, 2)
    unseen = tuple((p.id, q.id) for p, q in pairs if not photo_tells_apart(p, q))
    return Comparison(tuple(profiles), features, unseen)


def photo_tells_apart(p: Profile, q: Profile) -> bool:
    """Tell whether a good photo of a key tells for sure which of two blades it has."""
    return any(feature.photo == "yes" and not feature.same for feature in _features((p, q)))


def look_alikes(profile: Profile, library: Iterable[Profile]) -> tuple[Profile, ...]:
    """Return the other blades of a library that a photo can't tell from this one for sure."""
    return tuple(other for other in library if other.id != profile.id and not photo_tells_apart(profile, other))


def _features(profiles: Sequence[Profile]) -> Iterator[Feature]:
    yield from _seen_features(profiles)
    yield from _sizes(profiles)
    yield from _cut_features(profiles)
    yield _grooves(profiles, "left")
    yield _grooves(profiles, "right")
    yield from _unseen_features(profiles)
    yield from _blank_features(profiles)


def _seen_features(profiles: Sequence[Profile]) -> Iterator[Feature]:
    """What is seen without measuring."""
    yield _words("cut edges", profiles, lambda p: str(p.edges), "yes")
    yield _words("stop", profiles, lambda p: p.stop, "yes")
    counts = [set(p.counts or (len(p.positions_mm),)) for p in profiles]
    shared = any(one & other for one, other in combinations(counts, 2))
    values = tuple(" or ".join(map(str, sorted(count))) for count in counts)
    yield Feature("cuts", values, (), "unsure" if shared else "yes")


def _sizes(profiles: Sequence[Profile]) -> Iterator[Feature]:
    how = "Measure the blade's width, on an uncut stretch."
    yield _length("width", profiles, lambda p: p.width_mm, WIDTH_U_MM, how, sd=lambda p: p.width_sd_mm)
    hidden = any(p.stop == "tip" for p in profiles)
    how = "Measure the blade's length, from tip to bow." if hidden else "Measure the length, from shoulder to tip."
    note = "the head hides where a tip-stopped blade ends" if hidden else ""
    yield _length("length", profiles, lambda p: p.length_mm, None if hidden else LENGTH_U_MM, how, note)
    yield _length("thickness", profiles, lambda p: p.thickness_mm, None, "Measure the blade's thickness, off grooves.")


def _cut_features(profiles: Sequence[Profile]) -> Iterator[Feature]:
    """Where cuts are and how deep they go."""
    fewest = min(len(p.positions_mm) for p in profiles)
    how = "Measure from the stop to the middle of the first cut."
    yield _length("first cut", profiles, lambda p: p.positions_mm[0], POSITION_U_MM, how)
    span_u = POSITION_U_MM * 2**0.5 / max(fewest - 1, 1)  # the span between two cuts, shared among the spacings
    yield _length("spacing", profiles, _spacing, span_u)
    how = "Measure from the first cut's middle to the last one's."
    yield _length("first to last", profiles, _span, POSITION_U_MM * 2**0.5, how)
    yield _length("depth step", profiles, _step, None, note="shows in the roots")
    yield _roots(profiles)
    yield _length("flat", profiles, lambda p: p.flat_mm, FLAT_U_MM)
    yield _words("angle", profiles, lambda p: "-" if p.angle_deg is None else f"{p.angle_deg:g}°", "no")


def _spacing(p: Profile) -> float | None:
    """Mean distance between neighbouring cuts."""
    return None if len(p.positions_mm) < 2 else _span(p) / (len(p.positions_mm) - 1)


def _span(p: Profile) -> float:
    return p.positions_mm[-1] - p.positions_mm[0]


def _step(p: Profile) -> float | None:
    """Mean distance between neighbouring depths."""
    return None if len(p.roots_mm) < 2 else (p.roots_mm[0] - p.roots_mm[-1]) / (len(p.roots_mm) - 1)


def _roots(profiles: Sequence[Profile]) -> Feature:
    """The depth tables as a whole: the largest distance of a root of one from the nearest root of another."""
    apart = [_apart(p.roots_mm, q.roots_mm) for p, q in combinations(profiles, 2)]
    gaps = [gap for gap in apart if gap > SAME_MM]
    photo = _seen([gap / ROOT_U_MM for gap in gaps])
    values = tuple(f"{len(p.roots_mm)}: {p.roots_mm[0]:.3f} to {p.roots_mm[-1]:.3f}" for p in profiles)
    if gaps and len(set(values)) == 1:  # the ends agree, some depths between them don't
        values = tuple(f"{value} ({number})" for number, value in enumerate(values, 1))
    largest = max(gaps, default=0.0)
    note = f"up to {largest:.3f} mm from the other's nearest depth" if gaps else ""
    return Feature("depths", values, (), "unsure" if photo == "yes" else photo, "", note)


def _apart(roots: Sequence[float], others: Sequence[float]) -> float:
    return max(min(abs(root - other) for other in others) for root in roots)


def _grooves(profiles: Sequence[Profile], face: Literal["left", "right"]) -> Feature:
    """The grooves of one face: their walls from the lower edge up."""
    rows = [p.grooves_left_mm if face == "left" else p.grooves_right_mm for p in profiles]
    values = tuple("; ".join(f"{near:.2f}-{far:.2f}" for near, far in row) or "none told" for row in rows)
    first = tuple(row[0][0] if row else None for row in rows)
    last = tuple(row[-1][1] if row else None for row in rows)
    numbers, wall = (first, "near wall of the lowest") if _gaps(first) else (last, "far wall of the highest")
    photo: Seen = "no" if _seen([gap / GROOVE_U_MM for gap in _gaps(numbers)]) == "no" else "unsure"
    how = f"On the {face} face, measure from the lower edge to the {wall} groove."
    return Feature(f"{face} grooves", values, numbers, photo, how, "a photo shows only the face that is up")


def _unseen_features(profiles: Sequence[Profile]) -> Iterator[Feature]:
    yield _words("codes", profiles, lambda p: " ".join(p.codes), "no", "names only")
    note = "decides how the code is written, not the cuts"
    yield _words("code read", profiles, lambda p: p.order.replace("-", " "), "no", note)
    yield _words("largest step", profiles, lambda p: "-" if p.macs is None else str(p.macs), "no")


def _blank_features(profiles: Sequence[Profile]) -> Iterator[Feature]:
    """What the blanks sold with each blade have."""
    yield _words("heads", profiles, lambda p: _listed(b.head for b in p.blanks), "unsure")
    note = "no standard: makers choose as they like"
    yield _words("head colours", profiles, lambda p: _listed(b.head_colour or "-" for b in p.blanks), "no", note)
    note = "can't be seen: test it"
    yield _words("electronics", profiles, lambda p: _listed(b.electronics for b in p.blanks), "no", note)


def _listed(values: Iterable[str]) -> str:
    return ", ".join(sorted(set(values)))


def _words(
    name: str, profiles: Sequence[Profile], value: Callable[[Profile], str], photo: Seen, note: str = ""
) -> Feature:
    return Feature(name, tuple(value(p) for p in profiles), (), photo, note=note)


def _length(
    name: str,
    profiles: Sequence[Profile],
    value: Callable[[Profile], float | None],
    photo_u_mm: float | None,
    by_hand: str = "",
    note: str = "",
    sd: Callable[[Profile], float | None] = lambda p: None,
) -> Feature:
    """A length and what its file says of its uncertainty; ``photo_u_mm`` is None for what no photo shows."""
    numbers = tuple(value(p) for p in profiles)
    sds = tuple(sd(p) or 0.0 for p in profiles)
    shown = tuple("-" if number is None else f"{number:.3f}" for number in numbers)
    photo: Seen = "no" if photo_u_mm is None else _seen(_ratios(numbers, sds, photo_u_mm))
    return Feature(name, shown, numbers, photo, by_hand, note, sds)


def _ratios(numbers: Sequence[float | None], sds_mm: Sequence[float], u_mm: float) -> list[float]:
    """How many standard uncertainties neighbouring values are apart, for a measurement of ``u_mm``."""
    known = sorted((number, sd) for number, sd in zip(numbers, sds_mm, strict=True) if number is not None)
    neighbours = ((after - before, math.hypot(u_mm, sd, next_sd)) for (before, sd), (after, next_sd) in pairwise(known))
    return [gap / u for gap, u in neighbours if gap > SAME_MM]


def _gaps(numbers: Sequence[float | None]) -> tuple[float, ...]:
    known = sorted(number for number in numbers if number is not None)
    return tuple(sorted(after - before for before, after in pairwise(known) if after - before > SAME_MM))


def _seen(ratios: Sequence[float]) -> Seen:
    """Tell whether values apart by so many standard uncertainties are told apart."""
    smallest = min(ratios, default=0.0)
    return "yes" if smallest >= SURE_US else "unsure" if smallest >= UNSURE_US else "no"


def _told_by_hand(feature: Feature) -> list[tuple[int, int]]:
    """Pairs of blades that a caliper tells apart by this feature."""
    sds = feature.sds_mm or (0.0,) * len(feature.numbers)
    known = [(index, number) for index, number in enumerate(feature.numbers) if number is not None]
    return [
        (i, j)
        for (i, a), (j, b) in combinations(known, 2)
        if abs(a - b) >= SURE_US * math.hypot(CALIPER_U_MM, sds[i], sds[j])
    ]
