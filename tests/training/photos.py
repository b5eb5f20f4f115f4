"""Whole path-traced photos of keys that no profile lists, with truth: ``python -m tests.training.photos OUT``.

They show how the finding of card and key and the measuring without a profile do on surfaces, cards, heads and light
that no threshold was chosen on.  The truth has the form that the development photos' truth has.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
import cv2
import numpy as np
from PIL import Image

from tests.scene import Scene, random_scene
from tests.training.solid import key_parts, random_grooves
from tests.training.traced import random_head, set_threads, traced_photo

PX_PER_MM = 7.0  # as a messenger sends them: a quarter of a camera's pixels take a quarter of the time
FOCAL_35MM = 0xA405
EXIF_IFD = 0x8769


@click.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--count", default=30)
@click.option("--first", default=0)
@click.option("--threads", default=1)
def main(out: Path, count: int, first: int, threads: int) -> None:
    """Render photos beside a card."""
    set_threads(threads)
    out.mkdir(parents=True, exist_ok=True)
    for number in range(first, first + count):
        name = f"traced_{number:03d}"
        if (out / f"{name}.json").exists():
            continue
        rng = np.random.default_rng([11, number])
        tilt = float(abs(rng.normal(0, 10)))
        try:
            scene = random_scene(rng, picture=False, k1=0.0, px_per_mm=PX_PER_MM, tilt_deg=tilt, **random_head(rng))
        except ValueError:  # no camera sees all of this key
            continue
        key, pose = scene.truth.key, scene.truth.pose
        parts = key_parts(key, pose.face_up, random_grooves(key, rng))
        pixels = traced_photo(scene, parts, scene.size_px, number, rng).pixels
        _save(out / f"{name}.jpg", pixels, scene, rng)
        (out / f"{name}.json").write_text(json.dumps(_truth(scene, f"{name}.jpg", tilt), indent=1))
        click.echo(name)


def _save(file: Path, pixels: np.ndarray[Any, Any], scene: Scene, rng: np.random.Generator) -> None:
    """A JPEG that tells the focal length as phones do."""
    exif = Image.Exif()
    exif.get_ifd(EXIF_IFD)[FOCAL_35MM] = round(scene.focal_35mm or 26)
    picture = Image.fromarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB))
    picture.save(file, quality=int(rng.integers(85, 96)), exif=exif)


def _truth(scene: Scene, image: str, tilt_deg: float) -> dict[str, Any]:
    """Truth as the scorer reads it: a key of no listed family."""
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


if __name__ == "__main__":
    main()
