"""Training views of the table with the key marked: ``python -m tests.training.views OUT [--photos FOLDER]``.

What `keyid.silhouettes` sees of a table, from photos with exact truth and from path-traced scenes with clutter.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from keyid.photos.photo import load_photo
from keyid.scales.camera import Camera
from keyid.scales.table_view import TableView, fill_polygon, view_table
from keyid.silhouettes.key_search import SEARCH_PX_PER_MM
from tests.training.strips import told_camera, told_outline

Array = NDArray[np.float64]

PX_PER_MM = 3.2  # of the traced photos
PATHS = 32
MOST_TILT_DEG = 30.0


@dataclass(frozen=True)
class View:
    """A map of the table (BGR bytes), which of its pixels are the key, the reference, and seen at all."""

    pixels: NDArray[np.uint8]
    key: NDArray[np.uint8]
    reference: NDArray[np.uint8]
    seen: NDArray[np.uint8]


@click.command()
@click.argument("out", type=click.Path(path_type=Path))
@click.option(
    "--photos", multiple=True, type=click.Path(exists=True, path_type=Path), help="Folder of photos and truth."
)
@click.option("--traced", default=200, help="How many path-traced scenes.")
@click.option("--first", default=0, help="Number of the first.")
def main(out: Path, photos: tuple[Path, ...], traced: int, first: int) -> None:
    """Write views, a file each."""
    out.mkdir(parents=True, exist_ok=True)
    for folder in photos:
        for name, view in _photo_views(folder):
            _write(out / f"{name}.npz", view)
    for number in range(first, first + traced):
        file = out / f"traced-{number:04d}.npz"
        if not file.exists() and (view := _traced_view(number)) is not None:
            _write(file, view)
            click.echo(file.stem)


def read_views(folder: Path) -> dict[str, View]:
    """Views that were written before, by name."""
    views = {}
    for file in sorted(folder.glob("*.npz")):
        with np.load(file) as arrays:
            views[file.stem] = View(*(arrays[part] for part in ("pixels", "key", "reference", "seen")))
    return views


def _write(file: Path, view: View) -> None:
    np.savez_compressed(file, pixels=view.pixels, key=view.key, reference=view.reference, seen=view.seen)


def _photo_views(folder: Path) -> Iterator[tuple[str, View]]:
    """Views of every photo in a folder that shows one key, or none."""
    for truth_file in sorted(folder.glob("*.json")):
        told = json.loads(truth_file.read_text())
        if not isinstance(told, dict) or "detail" not in told or told["detail"]["second_key"]:
            continue
        detail = told["detail"]
        reference = _outer(told_outline(detail["reference"]))
        keys = [_outer(told_outline(detail["key"]))] if detail.get("key") else []
        camera = told_camera(detail)
        yield truth_file.stem, _view(load_photo(truth_file.with_suffix(".jpg")), camera, reference, keys)


def _outer(parts: list[Array]) -> Array:
    """Of an outline with holes, the part that is no hole."""
    return max(parts, key=lambda part: float(np.ptp(part, axis=0).prod()))


def _traced_view(number: int) -> View | None:
    """The view of a traced scene; None where no camera sees all of it."""
    from tests.scene import random_scene  # the renderer is not needed for photos
    from tests.training.solid import key_parts, random_grooves
    from tests.training.traced import random_head, traced_photo

    rng = np.random.default_rng([13, number])
    try:
        scene = random_scene(
            rng,
            picture=False,
            k1=0.0,
            px_per_mm=PX_PER_MM,
            tilt_deg=rng.uniform(0, MOST_TILT_DEG),
            **random_head(rng),
        )
    except ValueError:
        return None
    parts = key_parts(scene.truth.key, scene.truth.pose.face_up, random_grooves(scene.truth.key, rng))
    photo = traced_photo(scene, parts, scene.size_px, number, rng, card_under=0.1, paths=PATHS, clutter=True)
    truth = scene.truth
    return _view(photo, truth.camera, truth.card_outline_px, [truth.outline_px])


def _view(photo: Any, camera: Camera, reference_px: Array, keys_px: list[Array]) -> View:  # noqa: ANN401
    """What the search sees, and the key in it."""
    scale: Any = SimpleNamespace(camera=camera, outline_px=reference_px)
    view = view_table(photo, scale, SEARCH_PX_PER_MM)
    key = np.zeros(view.seen.shape, bool)
    for outline in keys_px:
        key |= _filled(view, camera, outline)
    layers = (np.asarray(layer, np.uint8) for layer in (key, view.on_reference, view.seen))
    return View(view.pixels, *layers)


def _filled(view: TableView, camera: Camera, polygon_px: Array) -> NDArray[np.bool_]:
    """The inside of a polygon of the photo, on the table's map."""
    on_table = view.from_mm(camera.on_height(polygon_px, 0.0))
    return fill_polygon(on_table, view.seen.shape)


if __name__ == "__main__":
    main()
