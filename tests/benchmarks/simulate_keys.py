"""Score ranking and bitting on simulated traces of invented keys.

Usage: python -m tests.benchmarks.simulate_keys PROFILES_DIR [--keys N] [--seed N]

Keys are drawn from the library (and one in ten from a family that is in no file), made with scatter, worn, copied off
their stop, and "measured" with all that goes wrong in a photo (`tests.benchmarks.faults`).  All shares and sizes are
guesses (no source) that bracket what photos of rendered keys showed.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import grey_opening

from keyid.bitting import read_bitting
from keyid.blade import Blade
from keyid.length import Length
from keyid.library import load_library
from keyid.profile import Profile, same_outline
from keyid.ranking import Ranking, rank
from keyid.shape_ranking import rank_by_shape
from keyid.unscaled import LEAN_U_RAD, sized
from tests.benchmarks.faults import TrueEdges, measure

Array = NDArray[np.float64]

STEP_MM = 0.05
FOREIGN_P, UNCUT_P, WORN_P, COPY_P = 0.10, 0.05, 0.3, 0.12
ROOT_SD_MM, POSITION_SD_MM = 0.015, 0.02
WORN_MM = 0.03  # a key that has lost more counts as worn


@dataclass(frozen=True)
class MadeKey:
    """A key with what is true of it: per cut (from the stop) code, mean root and position; heights of both edges."""

    profile: Profile
    foreign: bool
    uncut: bool
    worn: bool
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


def foreign_profile(rng: np.random.Generator, profiles: tuple[Profile, ...]) -> Profile:
    """Change a listed blade into one that is in no file: cuts elsewhere, other depths, often another size."""
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
    return replace(base, id="foreign", width_mm=width, length_mm=length, positions_mm=positions, roots_mm=roots)


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
    profile = foreign_profile(rng, profiles) if foreign else profiles[rng.integers(len(profiles))]
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
        wear > WORN_MM,
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
    uncut = nominal > width - 0.01
    root = nominal + rng.normal(0, ROOT_SD_MM, len(codes)) - wear * np.maximum(0, rng.normal(1, 0.3, len(codes)))
    place = np.asarray(profile.positions_mm) + shift + rng.normal(0, POSITION_SD_MM, len(codes))
    return np.where(uncut, width, root), np.where(uncut, profile.positions_mm, place)


def cut_edge(x: Array, height: Array, width: float, roots: Array, places: Array, profile: Profile) -> Array:
    """Take a trapezoid out of the edge for every cut."""
    slope = 1 / math.tan(math.radians((profile.angle_deg or 90) / 2))
    for root, place in zip(roots, places, strict=True):
        flank = root + np.maximum(0, np.abs(x - place) - (profile.flat_mm or 0.8) / 2) * slope
        height = np.minimum(height, np.where(root > width - 0.01, np.inf, flank))
    return height


def edges_of(key: MadeKey) -> TrueEdges:
    """What there is of a key to be measured."""
    edges = None if key.uncut else key.profile.edges
    return TrueEdges(key.profile.stop, edges, key.length_mm, key.width_mm, key.x_mm, key.heights_mm)


class Score:
    """What many readings add up to."""

    def __init__(self) -> None:
        self.count: Counter[str] = Counter()
        self.cut_p: list[float] = []
        self.cut_right: list[bool] = []
        self.key_p: list[float] = []
        self.key_right: list[bool] = []
        self.blade_p: list[float] = []
        self.blade_right: list[bool] = []
        self.z: dict[str, list[float]] = {"root": [], "position": []}
        self.error: dict[str, list[float]] = {"root": [], "position": []}
        self.seconds: list[float] = []
        self.notes: list[str] = []

    def add(self, key: MadeKey, blade: Blade, ranking: Ranking, name: str) -> None:
        """Count one key."""
        none = ranking.none_of_these
        if key.foreign:
            self.count["foreign"] += 1
            self.count["foreign recognised"] += none >= 0.5
            first = ranking.candidates[0]
            if none < 0.5:
                self.notes.append(f"{name}: foreign {none:.2f} taken for {first.profile.id} {first.probability:.2f}")
            self._cuts(key, blade, ranking, False)
            return
        first = ranking.candidates[0]
        right = looks_same(first.profile, key)
        self.count["listed"] += 1
        self.count["refused"] += none >= 0.5
        self.count["first"] += right
        self.blade_p.append(sum(c.probability for c in ranking.candidates if c.group == first.group))
        self.blade_right.append(right)
        if not right or none >= 0.5:
            told = f"none {none:.2f} first {first.profile.id} {self.blade_p[-1]:.2f}"
            self.notes.append(f"{name}: {key.profile.id} {told}")
        self._cuts(key, blade, ranking, right)

    def _cuts(self, key: MadeKey, blade: Blade, ranking: Ranking, right: bool) -> None:
        bitting = read_bitting(ranking, blade)
        if key.uncut or (key.foreign and bitting is None):
            return
        order = slice(None, None, 1 if key.profile.stop_first else -1)
        codes = key.codes[order]
        n = len(codes)
        if bitting is None:
            self.cut_p += [0.0] * n
            self.cut_right += [False] * n
            self._key(key, 0.0, False)
            return
        got = bitting.cuts
        hits = [right and cut.code == code for cut, code in zip(got, codes, strict=False)]
        self.cut_p += [cut.probability for cut in got]
        self.cut_right += hits + [False] * (len(got) - len(hits))
        self._key(key, bitting.probability, right and all(hits))
        if right:
            self._lengths(key, bitting.cuts, order)

    def _key(self, key: MadeKey, p: float, right: bool) -> None:
        """Count a whole bitting; of keys of listed blades also worn ones and others apart."""
        self.key_p.append(p)
        self.key_right.append(right)
        if not key.foreign:
            kind = "worn" if key.worn else "unworn"
            self.count[kind] += 1
            self.count[f"{kind} right"] += right

    def _lengths(self, key: MadeKey, cuts: tuple[object, ...], order: slice) -> None:
        for cut, root, place in zip(cuts, key.roots_mm[order], key.positions_mm[order], strict=True):
            if root > key.width_mm - 0.01 or cut.code == "?":
                continue
            for name, length, true in (("root", cut.root, root), ("position", cut.position, place)):
                self.error[name].append(length.mm - true)
                self.z[name].append((length.mm - true) / length.u_mm)

    def lines(self) -> list[str]:
        """The figures."""
        c, sure = self.count, np.array(self.cut_p) >= 0.95
        sure_key, key_right = np.array(self.key_p) >= 0.9, np.array(self.key_right)
        cut_right = np.array(self.cut_right)
        out = [
            f"blade first      {c['first'] / c['listed']:.4f} of {c['listed']}",
            f"listed refused   {c['refused'] / c['listed']:.4f}",
            f"foreign known    {c['foreign recognised'] / max(c['foreign'], 1):.4f} of {c['foreign']}",
            f"cuts right       {cut_right.mean():.4f} of {len(cut_right)}",
            f"keys right       {np.mean(self.key_right):.4f} of {len(self.key_right)}",
            f"  worn right     {c['worn right'] / max(c['worn'], 1):.4f} of {c['worn']}, others "
            f"{c['unworn right'] / max(c['unworn'], 1):.4f} of {c['unworn']}",
            f"sure cuts wrong  {1 - cut_right[sure].mean():.4f} of {sure.sum()} (stated >= 0.95)",
            f"sure keys wrong  {1 - key_right[sure_key].mean():.4f} of {sure_key.sum()} (stated >= 0.9)",
            f"calibration      cuts {ece(self.cut_p, self.cut_right):.4f} keys {ece(self.key_p, self.key_right):.4f} "
            f"blades {ece(self.blade_p, self.blade_right):.4f}",
        ]
        out += [*reliability("cuts", self.cut_p, self.cut_right), *reliability("keys", self.key_p, self.key_right)]
        for name, z in self.z.items():
            a, e = np.abs(z), np.array(self.error[name])
            out.append(
                f"{name:<16} RMS {np.sqrt(np.mean(e**2)):.4f} median {np.median(np.abs(e)):.4f} "
                f"in 1 u {np.mean(a <= 1):.3f} in 1.96 u {np.mean(a <= 1.96):.3f}"
            )
        out.append(f"CPU seconds      median {np.median(self.seconds):.3f} worst {max(self.seconds):.3f}")
        return out


def looks_same(profile: Profile, key: MadeKey) -> bool:
    """Tell whether a photo could take the key for the profile."""
    if not key.uncut:
        return same_outline(profile, key.profile)
    same = profile.stop == key.profile.stop and profile.width_mm == key.profile.width_mm
    return same and (profile.stop == "tip" or profile.length_mm == key.profile.length_mm)


def ece(p: list[float], right: list[bool], bins: int = 10) -> float:
    """Expected calibration error: mean gap between stated probability and share right, weighted by count."""
    at = np.minimum((np.array(p) * bins).astype(int), bins - 1)
    gaps = np.bincount(at, np.array(p) - np.array(right, float), bins)
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


def reliability(name: str, p: list[float], right: list[bool]) -> list[str]:
    """Stated probability against the share that is right, for ranges of it."""
    stated, hit = np.array(p), np.array(right, float)
    rows = []
    for low, high in pairwise((0.0, 0.3, 0.6, 0.8, 0.9, 0.95, 0.99, 1.01)):
        inside = (stated >= low) & (stated < high)
        if inside.any():
            shares = f"stated {stated[inside].mean():.3f} right {hit[inside].mean():.3f} of {inside.sum()}"
            rows.append(f"  {name} {low:.2f}-  {shares}")
    return rows


def run(profiles: tuple[Profile, ...], keys: int, seed: int, by_shape: bool = False) -> Score:
    """Make, measure, rank and score keys."""
    score = Score()
    for n in range(keys):
        rng = np.random.default_rng([seed, n])
        key = make_key(rng, profiles)
        blade = measure(rng, edges_of(key))
        if by_shape:
            blade = without_scale(rng, blade)
        start = time.process_time()
        ranking = rank_by_shape(blade, profiles) if by_shape else rank(blade, profiles)
        score.seconds.append(time.process_time() - start)
        score.add(key, blade, ranking, f"{seed}/{n}")
    return score


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("profiles", type=Path)
    parser.add_argument("--keys", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--by-shape", action="store_true", help="in photos without a scale")
    parser.add_argument("--notes", action="store_true", help="tell the keys that went wrong")
    args = parser.parse_args()
    score = run(load_library(args.profiles).profiles, args.keys, args.seed, args.by_shape)
    print("\n".join(score.lines() + (score.notes if args.notes else [])))


if __name__ == "__main__":
    main()
