"""How well grooves are read and tell blades apart, on photos with exact truth.

    python -m tests.benchmarks.grooves PHOTOS PROFILES [--only TEXT]

PHOTOS holds pictures, each with a JSON file of its truth beside it; PROFILES the blades in them.  A blade that differs
from the true one in nothing but grooves is made for each photo by mirroring them across the blade.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from keyid.blades.face import FaceLines
from keyid.errors import PhotoError
from keyid.identify import measure
from keyid.new_profiles.grooves import read_grooves
from keyid.profiles.library import load_library
from keyid.profiles.profile import Profile
from keyid.rankings.groove_evidence import OPEN_MM, SEPARATED_NATS, groove_evidence, turned
from keyid.scales.coin import coin_named
from keyid.scales.told import Told

FOUND_MM = 0.15  # a line nearer to a rim is that rim: half a leaning wall
READ_MM = 0.4  # a groove whose rims are nearer to a true one's is that one

Grooves = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Figures:
    """What one photo shows: rims' errors with their u (NaN: not seen), grooves read right, wrong and missed, twin."""

    off_mm: tuple[float, ...]
    u_mm: tuple[float, ...]
    right: int
    wrong: int
    missed: int
    twin_nats: float


def figures(face: FaceLines, truth: dict[str, Any], profile: Profile, library: tuple[Profile, ...]) -> Figures:
    """Compare what a face shows with the profile's grooves on the face that was up."""
    left_up = truth["detail"]["key"]["face_up"] == "A"
    told = profile.grooves_left_mm if left_up else profile.grooves_right_mm
    grooves = told if left_up == face.a_is_upper else turned(told, profile.width_mm)
    rims = [rim for groove in grooves for rim in groove if OPEN_MM < rim < profile.width_mm - OPEN_MM]
    near = [_nearest(face, rim) for rim in rims if face.low_mm < rim < face.high_mm]
    closed = [g for g in grooves if g[0] > OPEN_MM and g[1] < min(profile.width_mm - OPEN_MM, face.high_mm)]
    read = [(groove.near.mm, groove.far.mm) for groove in read_grooves(face)]
    right = sum(any(max(abs(a - b) for a, b in zip(g, one, strict=True)) < READ_MM for one in read) for g in closed)
    twin = replace(
        profile,
        grooves_left_mm=turned(profile.grooves_left_mm, profile.width_mm),
        grooves_right_mm=turned(profile.grooves_right_mm, profile.width_mm),
    )
    evidence = groove_evidence((face,), (*library, twin))
    nats = evidence.of(profile) - evidence.of(twin) if _differ(profile, twin) else math.nan
    off, u = zip(*near, strict=True) if near else ((), ())
    return Figures(off, u, right, len(read) - right, len(closed) - right, nats)


def _nearest(face: FaceLines, rim_mm: float) -> tuple[float, float]:
    line = min(face.lines, key=lambda line: abs(line.height_mm - rim_mm), default=None)
    if line is None or abs(line.height_mm - rim_mm) > FOUND_MM:
        return math.nan, math.nan
    return line.height_mm - rim_mm, math.hypot(line.u_mm, face.datum_u_mm)


def _differ(one: Profile, other: Profile) -> bool:
    """Whether two blades' grooves differ by more than a groove's edge is seen to."""
    pairs = ((one.grooves_left_mm, other.grooves_left_mm), (one.grooves_right_mm, other.grooves_right_mm))
    return any(
        abs(a - b) > READ_MM
        for mine, yours in pairs
        for groove, its in zip(mine, yours, strict=True)
        for a, b in zip(groove, its, strict=True)
    )


def measured(photo: Path, truth: dict[str, Any]) -> FaceLines | None:
    """The lines of the face in a photo; None where it can't be measured or shows too little of it."""
    reference = truth["detail"]["reference"]
    told = Told(coin=coin_named(str(reference["diameter_mm"]))) if reference["kind"] == "coin" else None
    try:
        faces = measure(photo, told)[3].faces
    except PhotoError:
        return None
    return faces[0] if faces else None


def lines(all_figures: list[Figures]) -> list[str]:
    """The table for people."""
    off = np.array([x for f in all_figures for x in f.off_mm])
    u = np.array([x for f in all_figures for x in f.u_mm])
    seen = np.isfinite(off)
    nats = np.array([f.twin_nats for f in all_figures if math.isfinite(f.twin_nats)])
    rms = math.sqrt(float(np.mean(off[seen] ** 2)))
    within = 100 * np.mean(np.abs(off[seen]) < 2 * u[seen])
    count = {name: sum(getattr(f, name) for f in all_figures) for name in ("right", "wrong", "missed")}
    return [
        f"rims            {len(off)}, seen {100 * seen.mean():.0f} %, RMS {rms:.3f} mm, within 2 u {within:.0f} %",
        f"grooves read    {count['right']} right, {count['wrong']} wrong, {count['missed']} missed",
        f"mirrored blade  told apart {np.sum(nats > SEPARATED_NATS)} of {len(nats)}, likelier {np.sum(nats > 0)}, "
        f"taken for the right one {np.sum(nats < -SEPARATED_NATS)}",
    ]


def main() -> None:
    """Measure all photos and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photos", type=Path)
    parser.add_argument("profiles", type=Path)
    parser.add_argument("--only", default="", help="only photos whose tags or group hold this text")
    args = parser.parse_args()
    library = load_library(args.profiles).profiles
    by_id = {profile.id: profile for profile in library}
    found = []
    for file in sorted(args.photos.glob("*.json")):
        truth = json.loads(file.read_text())
        if not isinstance(truth, dict) or truth.get("profile") not in by_id:
            continue
        if args.only not in " ".join([truth["group"], *truth["tags"]]):
            continue
        face = measured(file.with_name(truth["image"]), truth)
        if face is not None:
            found.append(figures(face, truth, by_id[truth["profile"]], library))
    print("\n".join([f"photos          {len(found)}", *lines(found)]))


if __name__ == "__main__":
    main()
