"""Whether the uncertainties are true: errors over stated uncertainties, over many random scenes of our own maker.

``python -m tests.benchmarks.coverage whole --scenes 2000`` takes photos as the camera made them, ``cropped`` parts of
them; ``--first`` and ``--json`` run it in parts, ``--join FILES`` prints the table of all parts.  No pictures: a
scene's exact edges get errors of locating of known size (`tests.benchmarks.located`), and everything after that is the
photo path itself.  Thickness, lens, card, head, and how the key lies are drawn as they occur (``design``: blades of 1.6
to 3.2 mm, lenses of about 26 or 50 mm, tilts to 30 degrees, plastic heads that pitch the blade by 5 to 9 degrees), and
nothing of them is told but what a file tells.

``pictures`` draws the scenes too, and reads them from their pixels.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from keyid.blades.blade import Blade
from keyid.blades.blade_measure import measure_blade
from keyid.blades.cuts import find_cuts
from keyid.errors import PhotoError
from keyid.identify import measure
from keyid.length import Length
from keyid.photos.photo import Photo, _is_whole
from keyid.profiles.profile import Profile
from keyid.rankings.ranking import rank
from tests.benchmarks.located import Taken, located_outline, located_scale, taken
from tests.scene import KeyPose, KeySpec, Scene, SceneTruth, make_scene, random_scene

Array = NDArray[np.float64]

NO_EXIF_P = 0.5  # customers' photos come with and without
LEAN_P, LEAN_DEG = 0.3, 2.0  # a plastic head may rest on its seam
UNEVEN_DEG = 0.2  # sd of a flat key's slopes: 0.1 mm of paper, cloth or grain under a head 24 mm wide
CROP_ROOM, CROP_PART = 0.03, 0.6  # a crop leaves that part of the content as room, and takes off 0.4 to 1 of the rest
DARK, LIGHT_CARD = 0.5, (0.70, 0.72, 0.75)  # a card is as bright as wood: then another one is laid beside the key
THICKEST_MM = (1.6, 3.2)  # of blades
STEP_MM, FIRST_MM = 0.4, 0.2  # the depths of the profile that the key is read with
POSITION_SD_MM = 0.02  # its cuts' positions as made
SAME_CUT_MM = 0.6
DEEP_MM = 0.2  # a shallower cut may be missed without a profile
TILTS_DEG = (0.0, 10.0, 20.0, 90.0)
QUANTITIES = ("root", "free root", "position", "free position", "width", "length")
SHARES_U = (1.0, 1.96)


@dataclass(frozen=True)
class Error:
    """One length of one scene: what it is, its error and stated uncertainty, and the groups that it belongs to."""

    scene: int
    quantity: str
    error_mm: float
    u_mm: float
    groups: tuple[str, ...]


def scene_of(seed: int, picture: bool = False) -> Scene:
    """A random scene, its key leaning and sloping as keys do."""
    rng = np.random.default_rng([seed, 1])
    exif = bool(rng.random() >= NO_EXIF_P)
    flat = random_scene(rng, picture=False, exif=exif, thickness_mm=float(rng.uniform(*THICKEST_MM)))
    pose = _uneven(rng, flat.truth.key, flat.truth.pose)
    truth = flat.truth
    look = flat.look if min(flat.look.table) > DARK else replace(flat.look, card=LIGHT_CARD)
    return make_scene(
        truth.key,
        pose,
        truth.camera,
        flat.size_px,
        look=look,
        seed=seed,
        focal_35mm=flat.focal_35mm,
        picture=picture,
    )


def _uneven(rng: np.random.Generator, key: KeySpec, pose: KeyPose) -> KeyPose:
    """The key turned a little about its axis, and a flat one about the line across it, its middle kept in place."""
    roll, pitch = UNEVEN_DEG * rng.standard_normal(2)
    if key.head == "plastic":
        leans = rng.random() < LEAN_P
        roll, pitch = (rng.uniform(-LEAN_DEG, LEAN_DEG) if leans else 0.0), 0.0
    a, b = np.radians([roll, pitch])
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    rotation = pose.rotation @ about_x @ about_y
    middle = np.array([key.length_mm / 2, key.width_mm / 2, 0.0 if pose.face_up == "a" else key.thickness_mm])
    return KeyPose(rotation, pose.to_world(middle) - rotation @ middle, pose.face_up)


def view_of(seed: int, scene: Scene, cropped: bool) -> Taken:
    """The scene's photo, or a part of it round key and card."""
    size, offset = scene.size_px, (0, 0)
    focal = scene.focal_35mm
    if cropped:
        low, high = _crop(np.random.default_rng([seed, 2]), scene)
        size, offset = (int(high[0] - low[0]), int(high[1] - low[1])), (int(low[0]), int(low[1]))
    whole = _is_whole(size, {})  # editors rewrite the pixel size in EXIF or drop it: nothing else tells of a crop
    pixels = _cut_out(scene, offset, size)
    photo = Photo("scene.jpg", "", pixels, focal if whole else None, whole, uncropped_35mm=None if whole else focal)
    return taken(scene.truth, photo, offset)


def _cut_out(scene: Scene, offset: tuple[int, int], size: tuple[int, int]) -> NDArray[np.uint8]:
    """The crop's pixels; without a picture ones that take no memory."""
    if scene.photo is None:
        return np.broadcast_to(np.zeros(3, np.uint8), (size[1], size[0], 3))
    return np.ascontiguousarray(scene.photo.pixels[offset[1] : offset[1] + size[1], offset[0] : offset[0] + size[0]])


def _crop(rng: np.random.Generator, scene: Scene) -> tuple[Array, Array]:
    """First pixel and end of a crop that keeps key and card whole."""
    content = np.vstack([scene.truth.outline_px, scene.truth.card_outline_px])
    size = np.array(scene.size_px)
    low, high = np.maximum(content.min(axis=0), 0), np.minimum(content.max(axis=0), size - 1)
    room = CROP_ROOM * float((high - low).max())
    before, after = np.maximum(0, low - room), np.maximum(0, size - high - room)
    first = np.floor(np.maximum(0, before * (1 - rng.uniform(0, CROP_PART, 2))))
    return first, np.floor(np.minimum(size, high + room + after * rng.uniform(0, CROP_PART, 2)))


def profile_of(seed: int, key: KeySpec) -> Profile:
    """A profile that the key could have been cut by: its cuts where the key's are but for scatter, other depths."""
    rng = np.random.default_rng([seed, 3])
    cuts = [cut for cut in key.cuts if cut.edge == key.cuts[0].edge]
    roots = np.arange(key.width_mm - FIRST_MM, 0.3 * key.width_mm, -STEP_MM)
    places = sorted(float(cut.position_mm + POSITION_SD_MM * rng.standard_normal()) for cut in cuts)
    return Profile(
        id="made", name="Made", unit="mm", status="invented", source="made for the benchmark",
        edges=key.edges or 1, stop=key.stop, length_mm=key.length_mm if key.stop == "shoulder" else None,
        width_mm=key.width_mm, thickness_mm=None, grooves_left_mm=(), grooves_right_mm=(),
        positions_mm=tuple(places), codes=tuple(str(n) for n in range(len(roots))),
        roots_mm=tuple(float(r) for r in roots), order="bow-to-tip", flat_mm=key.flat_mm, angle_deg=key.angle_deg,
        macs=None, as_made_sd_mm=0.02, blanks=(),
    )  # fmt: skip


def errors_of(seed: int, kind: str) -> list[Error]:
    """Errors of every length of one scene.  Raises PhotoError."""
    scene = scene_of(seed, picture=kind == "pictures")
    view = view_of(seed, scene, kind == "cropped")
    if kind == "pictures":
        _, scale, _, blade, _ = measure(view.photo)
    else:
        rng = np.random.default_rng([seed, 4])
        scale = located_scale(rng, view)
        blade, _ = measure_blade(located_outline(rng, scene.truth, view, scale), scale)
    groups = _groups(scene, scale.focal)
    pairs = _lengths(scene.truth, blade, profile_of(seed, scene.truth.key))
    return [Error(seed, name, got.mm - true, got.u_mm, groups) for name, got, true in pairs]


def _groups(scene: Scene, focal: str) -> tuple[str, ...]:
    """What kinds of scene this is one of."""
    key, tilt = scene.truth.key, scene.truth.camera.tilt_deg
    flat = "pitched" if key.head == "plastic" else "lifted" if key.head_thickness_mm > key.thickness_mm else "flat"
    at = int(np.searchsorted(TILTS_DEG, tilt, side="right")) - 1
    tilted = f"tilt {TILTS_DEG[at]:.0f}-{TILTS_DEG[at + 1]:.0f}"
    told = "EXIF" if scene.focal_35mm is not None else "no EXIF"
    return told, f"focal {focal}", flat, tilted, f"{key.stop} stop", f"{key.edges} edged"


def _lengths(truth: SceneTruth, blade: Blade, profile: Profile) -> list[tuple[str, Length, float]]:
    """Each measured length with its name and the true one."""
    found = [("width", blade.width, truth.width_mm)]
    if blade.length is not None and truth.stop == blade.stop:
        found.append(("length", blade.length, truth.length_mm))
    asked = rank(blade, (profile,), asked=profile).asked
    true_cuts = sorted({(cut.position_mm, cut.root_mm) for cut in truth.cuts})
    if asked is not None:
        for root, place, (x, height) in zip(asked.decoded.roots, asked.decoded.positions, true_cuts, strict=True):
            if root is not None and place is not None:
                found += [("root", root, height), ("position", place, x)]
    for cut in find_cuts(blade):
        near = [c for c in truth.cuts if c.edge == cut.edge and abs(c.position_mm - cut.position.mm) < SAME_CUT_MM]
        if near and near[0].root_mm < truth.width_mm - DEEP_MM:
            found += [("free root", cut.root, near[0].root_mm), ("free position", cut.position, near[0].position_mm)]
    return found


def table(errors: list[Error]) -> list[dict[str, object]]:
    """Shares within one and 1.96 u, and sizes, by quantity and group."""
    sorted_in: dict[tuple[str, str], list[Error]] = defaultdict(list)
    for one in errors:
        for group in ("all", *one.groups):
            sorted_in[one.quantity, group].append(one)
    rows = []
    for (quantity, group), members in sorted(
        sorted_in.items(), key=lambda item: (QUANTITIES.index(item[0][0]), item[0])
    ):
        error = np.array([one.error_mm for one in members])
        off = np.abs(error) / np.array([one.u_mm for one in members])
        row = {"quantity": quantity, "group": group, "count": len(members)}
        row |= {f"within {share:g} u": float(np.mean(off <= share)) for share in SHARES_U}
        row |= {"bias mm": float(error.mean()), "RMS mm": float(np.sqrt(np.mean(error**2)))}
        row |= {"median mm": float(np.median(np.abs(error))), "95th mm": float(np.percentile(np.abs(error), 95))}
        row |= {"u mm": float(np.sqrt(np.mean([one.u_mm**2 for one in members])))}
        rows.append(row)
    return rows


def printed(rows: list[dict[str, object]]) -> str:
    """The table for people."""
    names = [name for name in rows[0] if name not in ("quantity", "group")]
    lines = [f"{'quantity':14}{'group':18}" + "".join(f"{name:>14}" for name in names)]
    for row in rows:
        cells = [f"{row[n]:14d}" if n == "count" else f"{row[n]:14.3f}" for n in names]
        lines.append(f"{row['quantity']:14}{row['group']:18}" + "".join(cells))
    return "\n".join(lines)


def run(kind: str, first: int, scenes: int) -> list[Error]:
    """Measure so many scenes; those that can't be are told."""
    errors: list[Error] = []
    for seed in range(first, first + scenes):
        try:
            errors += errors_of(seed, kind)
        except PhotoError as error:
            print(f"{seed}: {error.code}", flush=True)
        if (seed + 1 - first) % 100 == 0:
            print(f"{seed + 1 - first} scenes", flush=True)
    return errors


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("kind", choices=("whole", "cropped", "pictures"))
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="seed of the first scene")
    parser.add_argument("--json", type=Path, help="write every error here")
    parser.add_argument("--join", type=Path, nargs="+", help="print the table of these files and measure nothing")
    asked = parser.parse_args()
    if asked.join:
        errors = [
            Error(**{**one, "groups": tuple(one["groups"])})
            for path in asked.join
            for one in json.loads(path.read_text())["errors"]
        ]
    else:
        errors = run(asked.kind, asked.first, asked.scenes)
    rows = table(errors)
    print(printed(rows))
    if asked.json:
        asked.json.write_text(json.dumps({"table": rows, "errors": [asdict(one) for one in errors]}))


if __name__ == "__main__":
    main()
