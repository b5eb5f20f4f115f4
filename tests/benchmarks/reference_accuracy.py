"""How exact roots are on the printed sheet and beside a card: the same made keys and cameras, with each of the two.

``python -m tests.benchmarks.reference_accuracy --scenes N`` prints the root mean square error of the roots as measured,
and of what the scale alone makes of it: the true pixels of each root and its datum, on the true plane of the face.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from click.testing import CliRunner
from numpy.typing import NDArray

from keyid.blades.cuts import find_cuts
from keyid.commands.cli import main as keyid
from keyid.errors import PhotoError
from keyid.identify import measure
from keyid.photos.photo import Photo
from keyid.reports.sheet_drawing import PAPERS_MM, RING_TOP_MM
from keyid.scales.scale import Scale
from keyid.scales.sheet import MARKER_MM, PITCH_MM, ROWS
from tests.scene import Look, Scene, lay_down, make_scene, random_camera, random_key
from tests.scene.outline import project_plan
from tests.scene.page import Page, printed

Array = NDArray[np.float64]
Reference = Literal["card", "sheet"]
REFERENCES: tuple[Reference, ...] = ("card", "sheet")

DPI = 600
FOCAL_35MM = 26.0
DISTANCE_MM = 170.0
BESIDE_MM = 47.0  # from the card's middle to the blade's
SAME_CUT_MM = 0.6


@dataclass(frozen=True)
class Errors:
    """Of one scene, in mm: roots as measured, and by the scale alone."""

    roots: tuple[float, ...]
    by_scale: tuple[float, ...]


def sheet_page(stretch: float = 1.0) -> Page:
    """The measuring sheet as its PDF prints it, the field's middle over the world's origin."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "sheet.pdf"
        assert CliRunner().invoke(keyid, ["sheet", str(out)]).exit_code == 0
        pdf = out.read_bytes()
    middle = (PAPERS_MM["a4"][0] / 2, RING_TOP_MM + ((ROWS - 1) * PITCH_MM + MARKER_MM) / 2)
    return printed(pdf, DPI, middle, stretch)


def made(seed: int, reference: Reference, print_sd: float = 0.0) -> Scene:
    """A random key beside a card or on the sheet; key, light and camera are the same for both.

    ``print_sd`` is the standard deviation of the scale that the printer keeps.
    """
    rng = np.random.default_rng(seed)
    key = random_key(rng, lie="flat", stop="shoulder", edges=1, count=6)
    light, yaw, azimuth = rng.uniform(0, 360, 3)
    blur, tilt, stretch = rng.uniform(0.8, 1.2), rng.uniform(3, 20), 1 + print_sd * rng.standard_normal()
    look = Look(shadow=0.3, light_azimuth_deg=light, blur_px=blur, sharpen=0.3)
    at, target = ((0.0, BESIDE_MM), (0.0, BESIDE_MM / 2)) if reference == "card" else ((0.0, 0.0), (0.0, 0.0))
    camera, size, told = random_camera(
        rng, target, focal_35mm=FOCAL_35MM, distance_mm=DISTANCE_MM, tilt_deg=tilt, azimuth_deg=azimuth
    )
    page = sheet_page(float(stretch)) if reference == "sheet" else None
    pose = lay_down(key, at, float(yaw))
    return make_scene(key, pose, camera, size, look=look, seed=seed, focal_35mm=told, page=page)


def errors_of(scene: Scene) -> Errors:
    """Measure a scene.  Raises PhotoError."""
    photo: Photo | None = scene.photo
    assert photo is not None
    _, scale, _, blade, _ = measure(photo)
    found = find_cuts(blade)
    roots = []
    for cut in scene.truth.cuts:
        near = min(found, key=lambda one: abs(one.position.mm - cut.position_mm), default=None)
        if near is not None and abs(near.position.mm - cut.position_mm) < SAME_CUT_MM:
            roots.append(near.root.mm - cut.root_mm)
    return Errors(tuple(roots), tuple(scale_errors(scene, scale)))


def scale_errors(scene: Scene, scale: Scale) -> list[float]:
    """Errors of the roots' heights that the scale alone makes."""
    truth = scene.truth
    errors = []
    for cut in truth.cuts:
        x = float(truth.key.x_of(cut.position_mm))
        ends = np.array([[x, 0.0], [x, cut.root_mm]])
        seen = project_plan(ends, truth.up_mm, truth.pose, truth.camera)
        top = truth.pose.to_world(np.array([[x, 0.0, truth.up_mm]]))[0, 2]
        plan = scale.camera.on_height(seen, float(top))
        errors.append(float(np.linalg.norm(plan[1] - plan[0])) - cut.root_mm)
    return errors


def _rms(values: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if values else float("nan")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=8)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--print-sd", type=float, default=0.0)
    asked = parser.parse_args()
    all_errors: dict[str, list[Errors]] = {"card": [], "sheet": []}
    for seed in range(asked.first, asked.first + asked.scenes):
        for reference in REFERENCES:
            try:
                found = errors_of(made(seed, reference, asked.print_sd))
            except PhotoError as error:
                print(f"{seed} {reference}: {error.code}", flush=True)
                continue
            all_errors[reference].append(found)
            print(
                f"{seed} {reference}: {len(found.roots)} roots, RMS {_rms(list(found.roots)):.3f} mm, "
                f"by the scale alone {_rms(list(found.by_scale)):.4f} mm",
                flush=True,
            )
    for reference, found_all in all_errors.items():
        roots = [value for one in found_all for value in one.roots]
        by_scale = [value for one in found_all for value in one.by_scale]
        print(
            f"{reference}: {len(found_all)} scenes, {len(roots)} roots, RMS {_rms(roots):.4f} mm, "
            f"median {np.median(np.abs(roots)):.4f} mm, by the scale alone RMS {_rms(by_scale):.4f} mm"
        )


if __name__ == "__main__":
    main()
