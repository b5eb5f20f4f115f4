"""The network: encoder and decoder with skip connections, small enough for a ninth of a second on one core."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import onnx
import torch
from torch import Tensor, nn
from torch.nn import functional
from torch.nn.utils.fusion import fuse_conv_bn_eval

CHANNELS = (16, 32, 64, 96, 128, 128)
INPUTS, CLASSES = 5, 5  # of the strips' network: three colours and the wall's direction; off, face, body, wall, plastic


class Step(nn.Sequential):
    """Convolution, normalisation, rectification."""

    def __init__(self, inputs: int, outputs: int) -> None:
        super().__init__(
            nn.Conv2d(inputs, outputs, 3, padding=1, bias=False), nn.BatchNorm2d(outputs), nn.ReLU(inplace=True)
        )


class Net(nn.Module):
    """(batch, inputs, rows, columns) to logits (batch, classes, rows, columns).

    Each level after the first halves the picture, so rows and columns are multiples of 2 ** (levels - 1).
    """

    def __init__(self, inputs: int = INPUTS, classes: int = CLASSES, channels: tuple[int, ...] = CHANNELS) -> None:
        super().__init__()
        before = (inputs, *channels)
        self.down = nn.ModuleList(
            nn.Sequential(Step(before[i], size), Step(size, size)) for i, size in enumerate(channels)
        )
        self.up = nn.ModuleList(Step(a + b, a) for a, b in pairwise(channels))
        self.out = nn.Conv2d(channels[0], classes, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Logits of the classes."""
        seen: list[Tensor] = []
        for level, step in enumerate(self.down):
            x = step(x if level == 0 else functional.max_pool2d(x, 2))
            seen.append(x)
        for level in reversed(range(len(self.up))):
            x = functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = self.up[level](torch.cat([seen[level], x], dim=1))
        return self.out(x)


def restored(file: Path, net: Net, typical: Tensor) -> Net:
    """The network with a kept state's weights, or an ONNX file's: ``typical`` inputs give it back a normalisation."""
    if file.suffix == ".onnx":
        weights = onnx.load(file).graph.initializer
        state = {one.name: torch.from_numpy(onnx.numpy_helper.to_array(one).copy()) for one in weights}
    else:
        state = torch.load(file)
    folded = not any(name.endswith("running_mean") for name in state)
    if folded:
        _fold(net)
    net.load_state_dict(state)
    if folded:
        _normalise(net, typical)
    return net


def _normalise(folded: Net, typical: Tensor) -> None:
    """Take the normalisation out of the convolutions again: without it a network would learn far slower."""
    steps = [step for step in folded.modules() if isinstance(step, Step)]
    seen: dict[nn.Module, Tensor] = {}
    hooks = [step[0].register_forward_hook(lambda conv, _, out: seen.update({conv: out})) for step in steps]
    with torch.no_grad():
        folded.eval()(typical)
        for hook, step in zip(hooks, steps, strict=True):
            hook.remove()
            variance, mean = torch.var_mean(seen[step[0]], dim=(0, 2, 3), correction=0)
            conv = nn.Conv2d(step[0].in_channels, step[0].out_channels, 3, padding=1, bias=False)
            norm = nn.BatchNorm2d(conv.out_channels)
            conv.weight.copy_(step[0].weight)
            norm.weight.copy_(torch.sqrt(variance + norm.eps))
            norm.bias.copy_(mean)
            norm.running_mean.copy_(mean - step[0].bias)
            norm.running_var.copy_(variance)
            step[0], step[1] = conv, norm
    folded.train()


def export(net: Net, out: Path) -> None:
    """Write the network as ONNX (opset 13), with the normalisation folded into the convolutions."""
    _fold(net)
    axes = {2: "rows", 3: "columns"}
    torch.onnx.export(
        net, (torch.zeros(1, net.down[0][0][0].in_channels, 224, 480),), str(out), dynamo=False, opset_version=13,
        input_names=["strip"], output_names=["logits"], dynamic_axes={"strip": axes, "logits": axes},
    )  # fmt: skip


def _fold(net: Net) -> None:
    """Fold the normalisation into the convolutions, where that is not done yet."""
    net.eval()
    for step in net.modules():
        if isinstance(step, Step) and isinstance(step[1], nn.BatchNorm2d):
            step[0], step[1] = fuse_conv_bn_eval(step[0], step[1]), nn.Identity()
