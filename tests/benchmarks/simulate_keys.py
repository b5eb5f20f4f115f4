"""Score ranking and bitting on simulated traces of invented keys.

Usage: python -m tests.benchmarks.simulate_keys PROFILES_DIR [--keys N] [--seed N]

A key depends on its seed and number only, so many can be run in parts: ``--first 5000 --keys 5000 --save part.jsonl``
keeps each key's outcome, ``--keys 0 --load *.jsonl`` adds up what was kept.

Keys are drawn from the library (and one in ten from a family that is in no file), made with scatter, worn, copied off
their stop, and "measured" with all that goes wrong in a photo (`tests.benchmarks.faults`).  All shares and sizes are
guesses (no source) that bracket what photos of rendered keys showed.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import grey_opening

from keyid.blades.blade import Blade
from keyid.blades.unscaled import LEAN_U_RAD, sized
from keyid.length import Length
from keyid.profiles.library import load_library
from keyid.profiles.profile import Profile, same_outline
from keyid.rankings.ranking import Ranking, rank
from keyid.readings.bitting import UNREAD, group_probability, read_bitting
from keyid.readings.reading import BittingFacts
from keyid.readings.shape_ranking import rank_by_shape
from tests.benchmarks.faults import TrueEdges, measure

Array = NDArray[np.float64]

STEP_MM = 0.05
FOREIGN_P, UNCUT_P, WORN_P, COPY_P = 0.10, 0.05, 0.3, 0.12
ROOT_SD_MM, POSITION_SD_MM = 0.015, 0.02
WEAR_CLASSES_MM = (0.0, 1e-9, 0.03, 0.06, 0.1, 0.5)  # keys are told of apart by it: unworn ones first
UNCUT_MM = 0.01  # a root that near to the full width is none
REFUSED_P = 0.5  # of none of these
SURE_CUT_P, SURE_KEY_P = 0.95, 0.9  # stated firmly: few may be wrong


@dataclass(frozen=True)
class MadeKey:
    """A key with what is true of it: per cut (from the stop) code, mean root and position; heights of both edges."""

    profile: Profile
    foreign: bool
    uncut: bool
    alike: bool  # a foreign one: has a listed blade's size
    wear_mm: float
    codes: tuple[str, ...]
    roots_mm: Array
    positions_mm: Array
    length_mm: float
    width_mm: float
    x_mm: Array
    heights_mm: tuple[Array, Array]


def legal_codes(rng: np.random.Generator, profile: Profile) -> Array:
    """Draw code numbers, neighbours within the MACS."""
    count, macs = len(profile.codes), profile.macs or len(profile.codes)
    while True:
        codes = rng.integers(0, count, len(profile.positions_mm))
        if np.all(np.abs(np.diff(codes)) <= macs) and len(set(codes)) > 1:
            return codes


def foreign_profile(rng: np.random.Generator, profiles: tuple[Profile, ...]) -> tuple[bool, Profile]:
    """Change a listed blade into one that is in no file: cuts elsewhere, other depths, and (or not) another size."""
    base = profiles[rng.integers(len(profiles))]
    alike = rng.random() < 0.5
    width = base.width_mm if alike else base.width_mm + rng.choice([-1, 1]) * rng.uniform(0.2, 0.9)
    pitch = float(np.diff(base.positions_mm)[0])
    pitch *= rng.choice([1 - rng.uniform(0.05, 0.18), 1 + rng.uniform(0.05, 0.15)])
    first = base.positions_mm[0] + rng.uniform(-0.4, 0.6)
    count = int(min(len(base.positions_mm) + rng.integers(-1, 2), ((base.length_mm or 30) - first - 3) // pitch + 1))
    positions = tuple(first + pitch * n for n in range(max(count, 3)))
    step = -float(np.diff(base.roots_mm)[0]) * rng.uniform(0.85, 1.15)
    top = width - (base.width_mm - base.roots_mm[0])
    roots = tuple(top - step * n for n in range(len(base.roots_mm)))
    length = base.length_mm if alike else (base.length_mm or 30) + rng.uniform(-2, 2)
    return alike, replace(base, id="foreign", width_mm=width, length_mm=length, positions_mm=positions, roots_mm=roots)


def tip_limit(rng: np.random.Generator, from_tip: Array, width: float) -> tuple[Array, Array]:
    """Height that the narrowing to the tip leaves on each edge."""
    kind = rng.choice(["blunt", "pointed", "rounded", "one-sided"])
    reach = {"blunt": 1.3, "pointed": 3.0, "rounded": 3.1, "one-sided": 3.0}[str(kind)]
    left = {"blunt": 0.3 * width, "pointed": 0.43 * width, "rounded": 0.5 * width, "one-sided": 0.7 * width}[str(kind)]
    t = np.clip(1 - from_tip / reach, 0, 1)
    loss = left * (1 - np.sqrt(1 - t**2)) if kind == "rounded" else left * t
    other = 0.1 * width * np.clip(1 - from_tip / 1.0, 0, 1) if kind == "one-sided" else loss
    return width - loss, width - other


def make_key(rng: np.random.Generator, profiles: tuple[Profile, ...]) -> MadeKey:
    """Make one key."""
    foreign = rng.random() < FOREIGN_P
    uncut = not foreign and rng.random() < UNCUT_P
    alike, profile = foreign_profile(rng, profiles) if foreign else (False, profiles[rng.integers(len(profiles))])
    width = max(profile.width_mm + rng.normal(0, profile.width_sd_mm or 0.0), profile.roots_mm[0])
    length = profile.length_mm or 30.0
    codes = legal_codes(rng, profile)
    wear = abs(rng.normal(0, 0.07)) if rng.random() < WORN_P else 0.0
    shift = rng.normal(0, 0.25) if rng.random() < COPY_P else rng.normal(0, 0.01)
    x = np.arange(0, length + STEP_MM / 2, STEP_MM)
    limits = tip_limit(rng, length - x if profile.stop == "shoulder" else x, width)
    heights, roots, places = [], [], []
    for edge in range(2):
        height = limits[edge].copy()
        if not uncut and edge < profile.edges:
            root, place = make_cuts(rng, profile, width, codes, wear, shift)
            height = cut_edge(x, height, width, root, place, profile)
            roots.append(root)
            places.append(place)
        heights.append(grey_opening(height, round(rng.uniform(0.3, 0.9) / STEP_MM)) if wear else height)
    roots = roots or [np.full(len(codes), width)]
    places = places or [np.asarray(profile.positions_mm)]
    names = tuple(profile.codes[c] for c in codes)
    both = heights[0], heights[1]
    return MadeKey(
        profile,
        foreign,
        uncut,
        alike,
        wear,
        names,
        np.mean(roots, axis=0),
        np.mean(places, axis=0),
        length,
        width,
        x,
        both,
    )


def make_cuts(
    rng: np.random.Generator, profile: Profile, width: float, codes: Array, wear: float, shift: float
) -> tuple[Array, Array]:
    """Roots and positions of one edge as made and worn; a root at full width stays uncut."""
    nominal = np.asarray(profile.roots_mm)[codes]
    uncut = nominal > width - UNCUT_MM
    root = nominal + rng.normal(0, ROOT_SD_MM, len(codes)) - wear * np.maximum(0, rng.normal(1, 0.3, len(codes)))
    place = np.asarray(profile.positions_mm) + shift + rng.normal(0, POSITION_SD_MM, len(codes))
    return np.where(uncut, width, root), np.where(uncut, profile.positions_mm, place)


def cut_edge(x: Array, height: Array, width: float, roots: Array, places: Array, profile: Profile) -> Array:
    """Take a trapezoid out of the edge for every cut."""
    slope = 1 / math.tan(math.radians((profile.angle_deg or 90) / 2))
    for root, place in zip(roots, places, strict=True):
        flank = root + np.maximum(0, np.abs(x - place) - (profile.flat_mm or 0.8) / 2) * slope
        height = np.minimum(height, np.where(root > width - UNCUT_MM, np.inf, flank))
    return height


def edges_of(key: MadeKey) -> TrueEdges:
    """What there is of a key to be measured."""
    edges = None if key.uncut else key.profile.edges
    return TrueEdges(key.profile.stop, edges, key.length_mm, key.width_mm, key.x_mm, key.heights_mm)


@dataclass(frozen=True)
class Outcome:
    """What was told of one key, against what is true.

    Attributes
    ----------
    name : str
        Seed and number of the key.
    kind : str
        "cut" or "uncut" of a listed blade; "alike" or "other", of a blade in no file, of a listed one's size or not.
    wear_mm : float
        Metal worn off its roots in the mean.
    seen_wrong : str
        What the measuring got wrong before ranking: "stop", "edges", or nothing.
    none_p : float
        Of none of these.
    blade : str
        Profile taken for the likeliest.
    blade_p, blade_right : float, bool
        Of its group.
    cuts : tuple of (float, bool)
        Probability and truth of each cut's code, one more for each cut too many.
    key_p, key_right : float, bool
        Of the whole bitting.  None where none could be told: an uncut key, a foreign one that was refused.
    roots, positions : tuple of (float, float)
        Error and its standard uncertainty in mm, where the blade was right.
    seconds : float
        CPU of the ranking.
    """

    name: str
    kind: str
    wear_mm: float
    seen_wrong: str
    none_p: float
    blade: str
    blade_p: float
    blade_right: bool
    cuts: tuple[tuple[float, bool], ...]
    key_p: float | None
    key_right: bool
    roots: tuple[tuple[float, float], ...]
    positions: tuple[tuple[float, float], ...]
    seconds: float

    @property
    def listed(self) -> bool:
        """Whether the key's blade is in a file."""
        return self.kind in ("cut", "uncut")

    @property
    def refused(self) -> bool:
        """Whether no listed blade was taken for it."""
        return self.none_p >= REFUSED_P


def outcome(key: MadeKey, blade: Blade, ranking: Ranking, name: str, seconds: float) -> Outcome:
    """What the ranking told of a key."""
    first = ranking.candidates[0]
    right = not key.foreign and looks_same(first.profile, key)
    bitting = read_bitting(ranking, blade)
    cuts, key_p = _cuts(key, bitting, right)
    order = slice(None, None, 1 if key.profile.stop_first else -1)
    read = (
        [
            (cut, root, place)
            for cut, root, place in zip(bitting.cuts, key.roots_mm[order], key.positions_mm[order], strict=True)
            if root <= key.width_mm - UNCUT_MM and cut.code != UNREAD
        ]
        if right and bitting is not None and not key.uncut
        else []
    )
    edges = None if key.uncut else key.profile.edges
    wrong = "stop" if blade.stop != key.profile.stop else "edges" if blade.edges != edges else ""
    return Outcome(
        name,
        _kind(key),
        key.wear_mm,
        wrong,
        ranking.none_of_these,
        first.profile.id,
        group_probability(ranking, first.group),
        right,
        cuts,
        key_p,
        key_p is not None and right and bitting is not None and all(hit for _, hit in cuts),
        tuple((cut.root.mm - float(root), cut.root.u_mm) for cut, root, _ in read),
        tuple((cut.position.mm - float(place), cut.position.u_mm) for cut, _, place in read),
        seconds,
    )


def _kind(key: MadeKey) -> str:
    if key.foreign:
        return "alike" if key.alike else "other"
    return "uncut" if key.uncut else "cut"


def _cuts(
    key: MadeKey, bitting: BittingFacts | None, right: bool
) -> tuple[tuple[tuple[float, bool], ...], float | None]:
    """Probability and truth of each cut, and the whole bitting's probability; nothing where none could be told."""
    if key.uncut or (key.foreign and bitting is None):
        return (), None
    codes = key.codes if key.profile.stop_first else key.codes[::-1]
    if bitting is None:
        return ((0.0, False),) * len(codes), 0.0
    told = [(cut.probability, cut.code) for cut in bitting.cuts]
    hits = [right and code == true for (_, code), true in zip(told, codes, strict=False)]
    hits += [False] * (len(told) - len(hits))
    return tuple((p, hit) for (p, _), hit in zip(told, hits, strict=True)), bitting.probability


def figures(outcomes: Sequence[Outcome]) -> list[str]:
    """What many outcomes add up to."""
    listed = [o for o in outcomes if o.listed]
    foreign = [o for o in outcomes if not o.listed]
    whole = [o for o in outcomes if o.key_p is not None]
    cut_p, cut_right = map(np.array, zip(*(cut for o in outcomes for cut in o.cuts), strict=True))
    key_p, key_right = np.array([o.key_p for o in whole]), np.array([o.key_right for o in whole])
    blade_p, blade_right = np.array([o.blade_p for o in listed]), np.array([o.blade_right for o in listed])
    sure, sure_key = cut_p >= SURE_CUT_P, key_p >= SURE_KEY_P
    rows = [
        f"blade first      {share(blade_right)}",
        f"listed refused   {share([o.refused for o in listed])}",
        f"foreign known    {share([o.refused for o in foreign])}",
        *(f"  {kind:<14} {share([o.refused for o in foreign if o.kind == kind])}" for kind in ("alike", "other")),
        f"cuts right       {share(cut_right)}",
        f"keys right       {share(key_right)}",
        f"sure cuts wrong  {share(~cut_right[sure])} (stated >= {SURE_CUT_P})",
        f"sure keys wrong  {share(~key_right[sure_key])} (stated >= {SURE_KEY_P})",
        f"calibration      cuts {ece(cut_p, cut_right):.4f} keys {ece(key_p, key_right):.4f} "
        f"blades {ece(blade_p, blade_right):.4f}",
        *reliability("cuts", cut_p, cut_right),
        *reliability("keys", key_p, key_right),
        *by_wear([o for o in whole if o.listed]),
    ]
    for wrong in ("stop", "edges", ""):
        name = f"{wrong} seen wrong" if wrong else "both seen right"
        rows.append(
            f"{name:<16} keys right {share([o.key_right for o in whole if o.listed and o.seen_wrong == wrong])}"
        )
    for name, pairs in (
        ("root", [r for o in outcomes for r in o.roots]),
        ("position", [r for o in outcomes for r in o.positions]),
    ):
        error, u = np.array(pairs).reshape(-1, 2).T
        z = np.abs(error / u)
        rows.append(
            f"{name:<16} RMS {np.sqrt(np.mean(error**2)):.4f} median {np.median(np.abs(error)):.4f} "
            f"in 1 u {np.mean(z <= 1):.3f} in 1.96 u {np.mean(z <= 1.96):.3f}"
        )
    seconds = [o.seconds for o in outcomes]
    return [*rows, f"CPU seconds      median {np.median(seconds):.3f} worst {max(seconds):.3f}"]


def share(right: Sequence[bool] | Array) -> str:
    """Share that is right, the standard uncertainty of it, and of how many."""
    n = len(right)
    if n == 0:
        return "none"
    p = float(np.mean(right))
    return f"{p:.4f} ±{math.sqrt(max(p * (1 - p), 1 / n) / n):.4f} of {n}"


def by_wear(whole: Sequence[Outcome]) -> list[str]:
    """Whole keys and cuts that are right, and calibration, by the metal that is worn off."""
    rows = []
    for low, high in pairwise(WEAR_CLASSES_MM):
        inside = [o for o in whole if low <= o.wear_mm < high]
        if inside:
            cut_p, cut_right = map(np.array, zip(*(cut for o in inside for cut in o.cuts), strict=True))
            sure = cut_p >= SURE_CUT_P
            rows.append(
                f"  worn {low:.2f}-{high:.2f} mm keys right {share([o.key_right for o in inside])}, "
                f"cuts {np.mean(cut_right):.4f}, of sure ones wrong {np.mean(~cut_right[sure]):.4f}, "
                f"calibration cuts {ece(cut_p, cut_right):.3f}"
            )
    return rows


def looks_same(profile: Profile, key: MadeKey) -> bool:
    """Tell whether a photo could take the key for the profile."""
    if not key.uncut:
        return same_outline(profile, key.profile)
    same = profile.stop == key.profile.stop and profile.width_mm == key.profile.width_mm
    return same and (profile.stop == "tip" or profile.length_mm == key.profile.length_mm)


def ece(p: Array, right: NDArray[np.bool_], bins: int = 10) -> float:
    """Expected calibration error: mean gap between stated probability and share right, weighted by count."""
    at = np.minimum((p * bins).astype(int), bins - 1)
    gaps = np.bincount(at, p - right, bins)
    return float(np.abs(gaps).sum() / len(p))


def without_scale(rng: np.random.Generator, blade: Blade) -> Blade:
    """The blade in a size that nothing tells, seen by a camera that leans about either axis."""
    lean = 1 / np.cos(rng.normal(0, LEAN_U_RAD, 2))
    along = float(lean[0] / lean[1])  # foreshortened across, or along
    turned = [replace(t, x_mm=t.x_mm * along) for t in (blade.a, blade.b)]
    stretch_u = math.hypot(blade.stretch_u, (1 - math.cos(LEAN_U_RAD)) * math.sqrt(2))
    length = blade.length and Length(
        blade.length.mm * along, math.hypot(blade.length.u_mm, stretch_u * blade.length.mm)
    )
    leaning = replace(blade, a=turned[0], b=turned[1], length=length, stretch_u=stretch_u)
    return replace(sized(leaning, 8.3), width=Length(8.3, blade.width.u_mm / blade.width.mm * 8.3))


def reliability(name: str, p: Array, right: NDArray[np.bool_]) -> list[str]:
    """Stated probability against the share that is right, for ranges of it."""
    rows = []
    for low, high in pairwise((0.0, 0.1, 0.3, 0.6, 0.8, 0.9, 0.95, 0.99, 1.01)):
        inside = (p >= low) & (p < high)
        if inside.any():
            rows.append(f"  {name} {low:.2f}- stated {p[inside].mean():.3f} right {share(right[inside])}")
    return rows


def run(profiles: tuple[Profile, ...], numbers: Iterable[int], seed: int, by_shape: bool = False) -> Iterator[Outcome]:
    """Make, measure and rank the keys of these numbers; each depends on seed and number only."""
    for n in numbers:
        rng = np.random.default_rng([seed, n])
        key = make_key(rng, profiles)
        blade = measure(rng, edges_of(key))
        if by_shape:
            blade = without_scale(rng, blade)
        start = time.process_time()
        ranking = rank_by_shape(blade, profiles) if by_shape else rank(blade, profiles)
        yield outcome(key, blade, ranking, f"{seed}/{n}", time.process_time() - start)


def note(o: Outcome) -> str:
    """What went wrong with a key; empty where nothing did."""
    told = f"{o.name}: {o.kind}, worn {o.wear_mm:.2f}, {o.seen_wrong or 'nothing'} seen wrong; none {o.none_p:.2f}"
    told += f", {o.blade} {o.blade_p:.2f}{'' if o.blade_right else ' (wrong)'}"
    if not o.listed:
        return "" if o.refused else told
    wrong = " ".join(f"{n}:{p:.2f}" for n, (p, right) in enumerate(o.cuts, 1) if not right)
    return "" if o.blade_right and not o.refused and not wrong else f"{told}, cuts wrong {wrong or 'none'}"


def load(paths: Iterable[Path]) -> list[Outcome]:
    """Outcomes that were saved before."""
    return [Outcome(**json.loads(line)) for path in paths for line in path.read_text(encoding="utf-8").splitlines()]


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("profiles", type=Path)
    parser.add_argument("--keys", type=int, default=400)
    parser.add_argument("--first", type=int, default=0, help="number of the first key, for runs of a part each")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--by-shape", action="store_true", help="in photos without a scale")
    parser.add_argument("--save", type=Path, help="a file to which each key's outcome is added")
    parser.add_argument("--load", type=Path, nargs="*", default=[], help="outcomes saved before, to be counted too")
    parser.add_argument("--notes", action="store_true", help="tell the keys that went wrong")
    args = parser.parse_args()
    outcomes = load(args.load)
    numbers = range(args.first, args.first + args.keys)
    for one in run(load_library(args.profiles).profiles, numbers, args.seed, args.by_shape):
        outcomes.append(one)
        if args.save:
            with args.save.open("a", encoding="utf-8") as file:
                file.write(json.dumps(asdict(one)) + "\n")
    print("\n".join(figures(outcomes) + ([told for o in outcomes if (told := note(o))] if args.notes else [])))


if __name__ == "__main__":
    main()
