"""Whole path-traced photos of keys with truth: ``python -m tests.training.photos OUT [--profiles FOLDER]``.

They show how finding, measuring and reading do on surfaces, cards, heads and light that no threshold was chosen on.
Without a folder of profiles the keys are of no listed family; with one, each is a random key of a random profile.  The
truth has the form that the development photos' truth has.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
import cv2
import numpy as np
from PIL import Image

from keyid.profiles.library import load_library
from keyid.profiles.profile import Profile, same_outline
from tests.scene import Scene, random_scene
from tests.training.listed import ListedKey, listed_key
from tests.training.solid import key_parts, milled_grooves, random_grooves
from tests.training.traced import random_head, set_threads, traced_photo

PX_PER_MM = 7.0  # as a messenger sends them: a quarter of a camera's pixels take a quarter of the time
FOCAL_35MM = 0xA405
EXIF_IFD = 0x8769
MOST_PIXELS = 9e6  # of a photo worth its time: a minute on two cores
BITTINGS = 50  # drawn for one photo before giving up: the flanks of some leave their neighbours no flat


@click.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--count", default=30)
@click.option("--first", default=0)
@click.option("--threads", default=1)
@click.option("--px-per-mm", default=PX_PER_MM)
@click.option("--profiles", type=click.Path(path_type=Path, exists=True), help="Whose keys to render.")
def main(out: Path, count: int, first: int, threads: int, px_per_mm: float, profiles: Path | None) -> None:
    """Render photos beside a card."""
    set_threads(threads)
    library = load_library(profiles).profiles if profiles else ()
    out.mkdir(parents=True, exist_ok=True)
    for number in range(first, first + count):
        name = f"traced_{number:03d}"
        if (out / f"{name}.json").exists():
            continue
        rng = np.random.default_rng([11, number])
        tilt = float(abs(rng.normal(0, 10)))
        drawn = _scene(rng, library, px_per_mm=px_per_mm, tilt_deg=tilt)
        if drawn is None:
            continue
        scene, listed = drawn
        if scene.size_px[0] * scene.size_px[1] > MOST_PIXELS:
            continue
        key, pose = scene.truth.key, scene.truth.pose
        grooves = milled_grooves(key, listed.grooves_mm(pose), rng) if listed else random_grooves(key, rng)
        parts = key_parts(key, pose.face_up, grooves)
        pixels = traced_photo(scene, parts, scene.size_px, number, rng).pixels
        _save(out / f"{name}.jpg", pixels, scene, rng)
        told = _truth(scene, f"{name}.jpg", tilt) | (_of_profile(listed, library) if listed else {})
        (out / f"{name}.json").write_text(json.dumps(told, indent=1))
        click.echo(name)


def _scene(
    rng: np.random.Generator, library: tuple[Profile, ...], **camera: float
) -> tuple[Scene, ListedKey | None] | None:
    """Lay a random key beside a card, one of the library's if there is one; None when no camera sees all of it."""
    head = random_head(rng)
    profile = library[rng.integers(len(library))] if library else None
    for _ in range(BITTINGS):
        listed = listed_key(profile, rng) if profile else None
        try:
            return random_scene(
                rng, picture=False, k1=0.0, **camera, **head, **(listed.fixed if listed else {})
            ), listed
        except ValueError:
            if not listed:
                break
    return None


def _save(file: Path, pixels: np.ndarray[Any, Any], scene: Scene, rng: np.random.Generator) -> None:
    """A JPEG that tells the focal length as phones do."""
    exif = Image.Exif()
    exif.get_ifd(EXIF_IFD)[FOCAL_35MM] = round(scene.focal_35mm or 26)
    picture = Image.fromarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB))
    picture.save(file, quality=int(rng.integers(85, 96)), exif=exif)


def _truth(scene: Scene, image: str, tilt_deg: float) -> dict[str, Any]:
    """Truth as the scorer reads it, of a key of no listed family."""
    truth = scene.truth
    key = truth.key
    cuts = [cut for cut in truth.cuts if cut.edge == "a"]
    opposite = {cut.position_mm: cut.root_mm for cut in truth.cuts if cut.edge == "b"}
    read = [
        {
            "position_mm": cut.position_mm,
            "root_mm": float(np.mean([cut.root_mm, opposite.get(cut.position_mm, cut.root_mm)])),
            "code": None,
            "edges": [[c.position_mm, c.root_mm] for c in truth.cuts if c.position_mm == cut.position_mm],
            "full_height": False,
        }
        for cut in cuts
    ]
    return {
        "image": image,
        "tags": ["card", f"head:{key.head}"],
        "group": "good" if tilt_deg < 6 else "ordinary" if tilt_deg < 15 else "hard",
        "profile": None,
        "same_blade": [],
        "uncut": False,
        "foreign": True,
        "stop": key.stop,
        "edges": key.edges,
        "order": "bow-to-tip" if key.stop == "shoulder" else "tip-to-bow",
        "length_mm": key.length_mm if key.stop == "shoulder" else None,
        "width_mm": key.width_mm,
        "cuts": read,
        "detail": {
            "reference": {"kind": "card", "outer_corner_px": truth.card_corners_px.tolist()},
            "camera_tilt_deg": tilt_deg,
            "key": {
                "silhouette_px_upright": truth.outline_px.tolist(),
                "head": key.head,
                "blade_thickness_mm": key.thickness_mm,
            },
            "second_key": False,
        },
    }


def _of_profile(listed: ListedKey, library: tuple[Profile, ...]) -> dict[str, Any]:
    """What is otherwise true of a listed key."""
    profile = listed.profile
    cuts = [
        {
            "position_mm": float(np.mean([place for place, _ in cut.edges])) if cut.edges else cut.nominal_mm,
            "root_mm": float(np.mean([root for _, root in cut.edges])) if cut.edges else profile.width_mm,
            "code": cut.code,
            "edges": cut.edges,
            "full_height": not cut.edges,
        }
        for cut in (listed.cuts if profile.stop_first else listed.cuts[::-1])
    ]
    return {
        "profile": profile.id,
        "same_blade": [other.id for other in library if same_outline(profile, other)],
        "foreign": False,
        "order": profile.order,
        "cuts": cuts,
    }


if __name__ == "__main__":
    main()
