"""Train the strips' network on one core and write it as ONNX; ``--leave-out`` photos are what it is tested on."""

from __future__ import annotations

import re
from pathlib import Path

import click
import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from keyid.outlines.segmentation import MULTIPLE
from tests.training.augment import drawn, table_of, without_speckles
from tests.training.fit import TYPICAL, fit, on_one_core, training_options
from tests.training.net import Net, export, restored
from tests.training.strips import FACE, UNKNOWN, Example, photo_examples, read_examples, scene_examples

BATCH = 4
SHARES = (0.4, 0.54, 0.06)  # of the examples drawn: photos with truth, path-traced strips, flat scenes
TRACED = 1  # the kind whose light comes in speckles, as no phone's does
DESPECKLED = 0.6  # of these
NEAR_RIM = 11  # samples: a border of 0.4 mm to both sides counts five times
RIM_WEIGHT = 4.0

Drawn = tuple[NDArray[np.float32], NDArray[np.uint8], NDArray[np.float32]]


@click.command()
@click.option(
    "--photos", multiple=True, type=click.Path(exists=True, path_type=Path), help="Folder of photos and truth."
)
@click.option("--traced", type=click.Path(exists=True, path_type=Path), help="Folder of path-traced strips.")
@click.option("--scenes", default=140, help="How many random scenes.")
@training_options(minutes=40.0)
def main(
    photos: tuple[Path, ...],
    traced: Path | None,
    scenes: int,
    minutes: float,
    rate: float,
    leave_out: str,
    start: Path | None,
    state: Path,
    out: Path | None,
) -> None:
    """Train."""
    on_one_core()
    examples = [example for folder in photos for example in photo_examples(folder)]
    tested = [e for e in examples if re.fullmatch(leave_out, e.name)]
    pictured = [e for e in examples if not re.fullmatch(leave_out, e.name)]
    kinds = [pictured, list(read_examples(traced)) if traced else [], list(scene_examples(scenes))]
    tables = [table_of(e) for e in pictured[::8]]
    shares = np.where([len(kind) > 0 for kind in kinds], SHARES, 0)
    rng = np.random.default_rng(1)

    def batch(size: int) -> list[Drawn]:
        return [one(kind) for kind in rng.choice(len(kinds), size, p=shares / shares.sum())]

    def one(kind: int) -> Drawn:
        example = kinds[kind][rng.integers(len(kinds[kind]))]
        if kind == TRACED and rng.random() < DESPECKLED:
            example = without_speckles(example)
        return drawn(example, tables, rng)

    net = restored(start, Net(), _inputs(batch(TYPICAL))) if start else Net()

    def step_loss() -> Tensor:
        return _loss(net, batch(BATCH))

    fit(net, step_loss, minutes * 60, rate, state)
    for name, share in _agreement(net, tested).items():
        click.echo(f"{name}: {share:.4f} of the face agree")
    if out is not None:
        export(net, out)


def _loss(net: Net, batch: list[Drawn]) -> Tensor:
    """Cross entropy, with more weight near the face's border."""
    x = _inputs(batch)
    labels = np.stack([label for _, label, _ in batch])
    weight = torch.from_numpy(np.stack([_weight(label) for label in labels]))
    known = torch.from_numpy(np.where(labels == UNKNOWN, 0, labels).astype(np.int64))
    with torch.autocast("cpu", dtype=torch.bfloat16):
        logits = net(x.to(memory_format=torch.channels_last))
    return (functional.cross_entropy(logits.float(), known, reduction="none") * weight).sum() / weight.sum()


def _inputs(batch: list[Drawn]) -> Tensor:
    """What the network is given of a batch."""
    return torch.from_numpy(np.stack([_input(picture, wall) for picture, _, wall in batch]))


def _input(picture: NDArray[np.float32], wall: NDArray[np.float32]) -> NDArray[np.float32]:
    """What `keyid.outlines.segmentation.segment` gives the network."""
    x = np.empty((5, *picture.shape[:2]), np.float32)
    x[:3], x[3:] = picture.transpose(2, 0, 1) - 0.5, wall[:, None, None]
    return x


def _weight(labels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Weight of each sample."""
    face, kernel = (labels == FACE).astype(np.uint8), np.ones((NEAR_RIM, NEAR_RIM), np.uint8)
    border = cv2.dilate(face, kernel) - cv2.erode(face, kernel)
    return np.where(labels == UNKNOWN, 0, 1 + RIM_WEIGHT * border).astype(np.float32)


def _agreement(net: Net, tested: list[Example]) -> dict[str, float]:
    """Intersection over union of the face, for the first frame of each photo."""
    net.eval()
    shares = {}
    for example in {e.name: e for e in reversed(tested)}.values():
        rows, columns = (size // MULTIPLE * MULTIPLE for size in example.labels.shape)
        picture = example.picture[:rows, -columns:].astype(np.float32) / 255
        with torch.no_grad():
            logits = net(torch.from_numpy(_input(picture, example.wall.astype(np.float32)))[None])[0]
        found, true = logits.argmax(dim=0).numpy() == FACE, example.labels[:rows, -columns:] == FACE
        shares[example.name] = float((found & true).sum() / max((found | true).sum(), 1))
    return dict(sorted(shares.items()))


if __name__ == "__main__":
    main()
