"""The network itself, in torch, and its ONNX file. Nothing but this module and `fitting` needs torch.

A U of plain 3 x 3 x 3 convolutions (Ronneberger et al. 2015, MICCAI 9351:234; Cicek et al. 2016, MICCAI 9901:424) with
standardised weights (Qiao et al. 2019, arXiv 1903.10520; gains after Brock et al. 2021, ICLR) in place of batch
statistics, so that it trains on one patch at a time and folds to convolutions and nothing else.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import torch
import torch.nn.functional as F
from torch import Tensor, nn

from ossicle.errors import OssicleError
from ossicle.reading.tissue_model import CHANNELS

from .store import write

__all__ = ["WAY", "WIDTHS", "Convolution", "Said", "ToothNetwork", "export", "folded"]

WIDTHS = (12, 28, 56, 80, 96)
"""Channels at each level, finest first."""
WAY = 16.0
"""Voxels to a tooth's centre that the network calls 1."""
GAIN = math.sqrt(2 / (1 - 1 / math.pi))
"""Keeps the variance through a convolution and a ReLU (Brock et al. 2021)."""
TOLERANCE = 1e-3
"""The most by which the ONNX file may differ from torch, as sums of float32 in another order do; ways in voxels."""


class Convolution(nn.Module):
    """Convolution with standardised weights (``plain``: as they are), then ReLU."""

    def __init__(self, channels_in: int, channels_out: int, size: int = 3, *, plain: bool = False) -> None:
        super().__init__()
        self.convolution = nn.Conv3d(channels_in, channels_out, size, padding=size // 2)
        self.gain = nn.Parameter(torch.ones(channels_out))
        self.plain = plain
        nn.init.zeros_(self.convolution.bias)
        if plain:
            nn.init.kaiming_normal_(self.convolution.weight)
        else:
            nn.init.normal_(self.convolution.weight)

    def weight(self) -> Tensor:
        """The weights in force."""
        raw = self.convolution.weight
        if self.plain:
            return raw
        raw = raw - raw.mean((1, 2, 3, 4), keepdim=True)
        scale = torch.rsqrt((raw * raw).sum((1, 2, 3, 4), keepdim=True) + 1e-6)
        return raw * (scale * (GAIN * self.gain)[:, None, None, None, None])

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(F.conv3d(x, self.weight(), self.convolution.bias, padding=self.convolution.padding))


class ToothNetwork(nn.Module):
    """Greys (n, 1, z, y, x), sides multiples of 2 to the power of levels less one, to raw outputs by `CHANNELS`."""

    def __init__(self, widths: Sequence[int] = WIDTHS) -> None:
        super().__init__()
        self.widths = tuple(widths)
        self.down, self.narrow, self.up = nn.ModuleList(), nn.ModuleList(), nn.ModuleList()
        before = 1
        for width in widths:
            self.down.append(nn.Sequential(Convolution(before, width, plain=before == 1), Convolution(width, width)))
            before = width
        for fine, coarse in zip(self.widths[-2::-1], self.widths[:0:-1], strict=True):
            self.narrow.append(Convolution(coarse, fine, 1))
            steps = 1 if fine == self.widths[0] else 2
            self.up.append(nn.Sequential(*(Convolution(fine, fine) for _ in range(steps))))
        self.head = nn.Conv3d(self.widths[0], len(CHANNELS), 1)

    def forward(self, x: Tensor) -> Tensor:
        kept = []
        for level, step in enumerate(self.down):
            x = step(F.max_pool3d(x, 2) if level else x)
            kept.append(x)
        x = kept.pop()
        for narrow, up in zip(self.narrow, self.up, strict=True):
            x = up(F.interpolate(narrow(x), scale_factor=2.0, mode="nearest") + kept.pop())
        return self.head(x)


class Said(nn.Module):
    """Raw outputs made into what `tissue_model.CHANNELS` promises: chances, and ways in voxels."""

    def __init__(self, network: ToothNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, x: Tensor) -> Tensor:
        raw = self.network(x)
        parts = (raw[:, :3].sigmoid(), raw[:, 3:6] * WAY, raw[:, 6:7].sigmoid(), raw[:, 7:11].softmax(1))
        return torch.cat(parts, 1)


def folded(network: ToothNetwork) -> ToothNetwork:
    """A copy that gives the same, its weights standardised once and for all."""
    out = copy.deepcopy(network).cpu().float()
    for module in out.modules():
        if isinstance(module, Convolution):
            with torch.no_grad():
                module.convolution.weight.copy_(module.weight())
            module.plain = True
    return out.eval()


def export(network: ToothNetwork, path: Path, note: str) -> float:
    """Write the ONNX file: input ``grey`` (1, 1, z, y, x), output ``voxels`` (1, channels, z, y, x), both float32.

    Returns the largest difference from torch on noise, of a size other than that the file was made with.

    Raises
    ------
    OssicleError
        If that is more than `TOLERANCE`; nothing is written then.
    """
    model = Said(folded(network)).eval()
    part = path.with_name(path.name + ".made")
    part.parent.mkdir(parents=True, exist_ok=True)
    sides = {2: "z", 3: "y", 4: "x"}
    try:
        torch.onnx.export(
            model,
            (torch.zeros(1, 1, 32, 48, 64),),
            str(part),
            input_names=["grey"],
            output_names=["voxels"],
            dynamic_axes={"grey": sides, "voxels": sides},
            dynamo=False,
            opset_version=17,
        )
        made = onnx.load(str(part))
    finally:
        part.unlink(missing_ok=True)
    made.doc_string = note
    data = made.SerializeToString()
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    session = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    x = torch.randn(1, 1, 48, 32, 32, generator=torch.Generator().manual_seed(1))
    with torch.no_grad():
        off = float(np.abs(session.run(None, {"grey": x.numpy()})[0] - model(x).numpy()).max())
    if not off <= TOLERANCE:
        raise OssicleError(
            f"the ONNX file differs from torch by {off:.2g}", where=path, mend="check the library versions"
        )
    write(path, data)
    return off
