"""What both trainings share: their options, one core, and the descent itself."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import cv2
import numpy as np
import torch
from torch import Tensor

from tests.training.net import Net

WARM_UP = 50  # steps
TYPICAL = 16  # examples that tell what normalisation is typical
REPORT_S = 120


def training_options(minutes: float) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Add the options of a training that takes so long unless told otherwise."""
    options = (
        click.option("--minutes", default=minutes),
        click.option("--rate", default=3e-3, help="Greatest learning rate."),
        click.option("--leave-out", default="", help="Regular expression of names to test on instead."),
        click.option("--start", type=click.Path(exists=True, path_type=Path), help="State or ONNX file to go on from."),
        click.option("--state", required=True, type=click.Path(path_type=Path), help="Where the state is kept."),
        click.option("--out", type=click.Path(path_type=Path), help="ONNX file to write at the end."),
    )

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def on_one_core() -> None:
    """Keep to one core, and begin with the same weights each time."""
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    torch.manual_seed(1)


def fit(net: Net, step_loss: Callable[[], Tensor], seconds: float, rate: float, state: Path) -> None:
    """AdamW on what ``step_loss`` draws, with a cosine of learning rates over the time given."""
    optimiser = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=1e-4)
    begun = told = time.monotonic()
    losses: list[float] = []
    while (passed := time.monotonic() - begun) < seconds:
        for group in optimiser.param_groups:
            warm = min(1, (len(losses) + 1) / WARM_UP)
            group["lr"] = rate * warm * (0.02 + 0.49 * (1 + np.cos(np.pi * passed / seconds)))
        loss = step_loss()
        optimiser.zero_grad()
        loss.backward()
        optimiser.step()
        losses.append(loss.item())
        if time.monotonic() - told > REPORT_S:
            told = time.monotonic()
            click.echo(f"{len(losses)} steps, {passed:.0f} s, loss {np.mean(losses[-100:]):.3f}")
            torch.save(net.state_dict(), state)
    torch.save(net.state_dict(), state)
