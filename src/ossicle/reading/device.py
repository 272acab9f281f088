"""Where heavy work is done: on the processor, or on a GPU by PyTorch where one is present and asked for.

The environment variable ``OSSICLE_DEVICE`` decides: ``cpu`` (as if it were not set), ``cuda``, or ``auto`` (a GPU where
PyTorch sees one). The processor's way stays the reference: a GPU sums in another order, so chances differ in the last
digits.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ossicle.errors import OssicleError

from .trees import model_bytes, session

__all__ = ["VARIABLE", "device", "gaussian", "network"]

FloatArray = npt.NDArray[np.float32]
Network = Callable[[FloatArray], FloatArray]
VARIABLE = "OSSICLE_DEVICE"
KNOWN = ("cpu", "cuda", "auto")


def device() -> str:
    """Return ``cpu`` or ``cuda``, as `VARIABLE` says.

    Raises
    ------
    OssicleError
        It names no device known here, or a GPU that is not there.
    """
    asked = os.environ.get(VARIABLE, "").strip().lower() or "cpu"
    if asked not in KNOWN:
        raise OssicleError(
            f"there is no device {asked!r}", where=VARIABLE, mend=f"choose from {', '.join(KNOWN)}, or leave it out"
        )
    if asked == "cpu":
        return "cpu"
    lack = _lack()
    if lack and asked == "cuda":
        raise OssicleError(lack, where=VARIABLE, mend="leave it out to work on the processor")
    return "cpu" if lack else "cuda"


def _lack() -> str:
    """What is missing for work on a GPU; nothing where all is there."""
    try:
        import onnx  # noqa: F401
        import torch
    except ImportError as error:
        return f"no work can be done on a GPU, since {error.name} is not installed (PyTorch for your GPU, and onnx)"
    return "" if torch.cuda.is_available() else "PyTorch sees no GPU on this machine"


def network(name: str) -> Network:
    """Return the network ``name`` of this package: from greys (z, y, x) to its outputs (channels, z, y, x), float32."""
    return _network(name, device())


@lru_cache(maxsize=4)
def _network(name: str, where: str) -> Network:
    if where == "cpu":
        model = session(name)

        def on_processor(grey: FloatArray) -> FloatArray:
            found: FloatArray = model.run(None, {"grey": grey[None, None]})[0][0]
            return found

        return on_processor
    from .graph import TorchGraph

    return TorchGraph(model_bytes(name), where)


def gaussian(volume: FloatArray, sigma: float) -> FloatArray:
    """Return a volume (z, y, x), float32, blurred by a Gaussian of ``sigma`` voxels.

    As ``scipy.ndimage.gaussian_filter`` does it: cut off at 4 sigma, the outermost voxels mirrored with themselves.
    """
    if device() == "cpu":
        return np.asarray(ndimage.gaussian_filter(volume, sigma), np.float32)
    return _gaussian(volume, sigma, "cuda")


def _gaussian(volume: FloatArray, sigma: float, where: str) -> FloatArray:
    import torch

    radius = int(4.0 * sigma + 0.5)
    steps = np.arange(-radius, radius + 1)
    weights = np.exp(-0.5 * (steps / sigma) ** 2)
    weights /= weights.sum()
    with torch.no_grad():
        field: Any = torch.as_tensor(np.ascontiguousarray(volume, np.float32), device=where)
        for axis in range(3):
            field = field.movedim(axis, 0)
            count = field.shape[0]
            out = torch.zeros_like(field)
            for step, weight in zip(steps.tolist(), weights.tolist(), strict=True):
                at = (torch.arange(count, device=where) + step) % (2 * count)
                out += weight * field[torch.where(at < count, at, 2 * count - 1 - at)]
            field = out.movedim(0, axis)
        found: FloatArray = field.contiguous().cpu().numpy()
    return found
