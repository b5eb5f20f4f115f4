"""Train the network that finds the key on the table, from views that `tests.training.views` wrote."""

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

from keyid.silhouettes.key_likeness import MULTIPLE
from tests.training.augment import lit, processed
from tests.training.fit import TYPICAL, fit, on_one_core, training_options
from tests.training.net import Net, export, restored
from tests.training.views import View, read_views

CHANNELS = (8, 16, 24, 32, 40)
INPUTS = 5  # three colours, the reference, what is seen
BATCH = 4
SIDE = 256  # samples of half a millimetre
NEAR_BORDER, BORDER_WEIGHT = 5, 2.0  # samples round the key's outline that count thrice
PHOTO_SHARE = 0.5  # of the views drawn; the others are path-traced
SCALE = (0.85, 1.2)  # keys and things of other sizes

Drawn = tuple[NDArray[np.float32], NDArray[np.uint8], NDArray[np.float32]]


@click.command()
@click.argument("views", type=click.Path(exists=True, path_type=Path))
@training_options(minutes=20.0)
def main(
    views: Path, minutes: float, rate: float, leave_out: str, start: Path | None, state: Path, out: Path | None
) -> None:
    """Train."""
    on_one_core()
    rng = np.random.default_rng(1)
    named = read_views(views)
    tested = {name: view for name, view in named.items() if re.fullmatch(leave_out, name)}
    kinds = [
        [view for name, view in named.items() if name.startswith("traced") == traced and name not in tested]
        for traced in (False, True)
    ]

    def batch(size: int) -> list[Drawn]:
        lists = [kinds[int(rng.random() > PHOTO_SHARE)] for _ in range(size)]
        return [_drawn(some[rng.integers(len(some))], some, rng) for some in lists]

    net = Net(INPUTS, 1, CHANNELS)
    if start is not None:
        net = restored(start, net, _inputs(batch(TYPICAL)))

    def step_loss() -> Tensor:
        return _loss(net, batch(BATCH))

    fit(net, step_loss, minutes * 60, rate, state)
    for name, share in _agreement(net, tested).items():
        click.echo(f"{name}: {share:.3f} of the key agree")
    if out is not None:
        export(net, out)


def _drawn(view: View, others: list[View], rng: np.random.Generator) -> Drawn:
    """A window turned and scaled at random: picture (0 to 1), key, and the layers for reference and what is seen."""
    rows, columns = np.nonzero(view.key)
    about = (rng.uniform(0, view.key.shape[1]), rng.uniform(0, view.key.shape[0]))
    if len(rows) and rng.random() < 0.8:
        one = rng.integers(len(rows))
        about = (float(columns[one] + rng.uniform(-60, 60)), float(rows[one] + rng.uniform(-60, 60)))
    picture, key, reference, seen = _window(view, about, rng)
    if rng.random() < 0.3:
        picture = _on_other_table(picture, key, others[rng.integers(len(others))], rng)
    if rng.random() < 0.4:
        soft = cv2.GaussianBlur(key.astype(np.float32), (0, 0), 0.7)[..., None]
        factor = np.exp(rng.normal(0, 0.35) + rng.normal(0, 0.08, 3)).astype(np.float32)
        picture = np.clip(picture * (1 + soft * (factor - 1)), 0, 1)
    picture = processed(lit(picture, rng), rng)
    return picture, key, np.stack([reference, seen]).astype(np.float32)


def _window(view: View, about: tuple[float, float], rng: np.random.Generator) -> tuple[NDArray[np.float32], ...]:
    """A square of the view about a place, turned, scaled and perhaps mirrored."""
    move = cv2.getRotationMatrix2D(about, rng.uniform(0, 360), rng.uniform(*SCALE))
    move[:, 2] += SIDE / 2 - np.array(about)
    if rng.random() < 0.5:
        move[0] = np.array([0, 0, SIDE]) - move[0]
    picture = cv2.warpAffine(view.pixels, move, (SIDE, SIDE), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    layers = (
        cv2.warpAffine(layer, move, (SIDE, SIDE), flags=cv2.INTER_NEAREST)
        for layer in (view.key, view.reference, view.seen)
    )
    return (picture.astype(np.float32) / 255, *layers)


def _on_other_table(
    picture: NDArray[np.float32], key: NDArray[np.uint8], other: View, rng: np.random.Generator
) -> NDArray[np.float32]:
    """The key laid on a stretch of another view that shows no key; else as it is."""
    about = (rng.uniform(0, other.key.shape[1]), rng.uniform(0, other.key.shape[0]))
    table, shown, _, _ = _window(other, about, rng)
    if shown.any():
        return picture
    soft = cv2.GaussianBlur(key.astype(np.float32), (0, 0), 0.7)[..., None]
    return np.asarray(soft * picture + (1 - soft) * table, np.float32)


def _inputs(batch: list[Drawn]) -> Tensor:
    """What the network is given of a batch."""
    return torch.from_numpy(np.stack([_input(picture, layers) for picture, _, layers in batch]))


def _loss(net: Net, batch: list[Drawn]) -> Tensor:
    """Binary cross entropy, with more weight near the key's outline."""
    x = _inputs(batch)
    keys = np.stack([key for _, key, _ in batch])
    kernel = np.ones((NEAR_BORDER, NEAR_BORDER), np.uint8)
    border = np.stack([cv2.dilate(key, kernel) - cv2.erode(key, kernel) for key in keys])
    weight = torch.from_numpy(1 + BORDER_WEIGHT * border.astype(np.float32))
    with torch.autocast("cpu", dtype=torch.bfloat16):
        logits = net(x.to(memory_format=torch.channels_last))
    target = torch.from_numpy(keys.astype(np.float32))
    loss = functional.binary_cross_entropy_with_logits(logits.float()[:, 0], target, reduction="none")
    return (loss * weight).sum() / weight.sum()


def _input(picture: NDArray[np.float32], layers: NDArray[np.float32]) -> NDArray[np.float32]:
    """What `keyid.silhouettes.key_likeness` gives the network."""
    return np.concatenate([picture.transpose(2, 0, 1) - 0.5, layers]).astype(np.float32)


def _agreement(net: Net, tested: dict[str, View]) -> dict[str, float]:
    """Intersection over union of the key, for each view left out."""
    net.eval()
    shares = {}
    for name, view in tested.items():
        below, beside = (-size % MULTIPLE for size in view.key.shape)
        pad = ((0, below), (0, beside))
        picture = np.pad(view.pixels, (*pad, (0, 0)), mode="edge").astype(np.float32) / 255
        layers = np.stack([np.pad(layer, pad) for layer in (view.reference, view.seen)]).astype(np.float32)
        with torch.no_grad():
            logits = net(torch.from_numpy(_input(picture, layers))[None])[0, 0].numpy()
        found, true = logits[: view.key.shape[0], : view.key.shape[1]] > 0, view.key > 0
        shares[name] = float((found & true).sum() / max((found | true).sum(), 1))
    return dict(sorted(shares.items(), key=lambda one: one[1]))


if __name__ == "__main__":
    main()
