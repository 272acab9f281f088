"""A network kept as an ONNX file, worked out by PyTorch: the few operations that ours is made of."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["TorchGraph"]

FloatArray = npt.NDArray[np.float32]


class TorchGraph:
    """A model (the bytes of its ONNX file) on a device of PyTorch; called with greys (z, y, x).

    Operations as in ONNX's operator set 17 (https://onnx.ai/onnx/operators/); sums in float32 throughout, never in
    the shorter format that some GPUs would take for it.

    Raises
    ------
    NotImplementedError
        The file holds an operation, or a kind of one, that is not known here.
    """

    def __init__(self, model: bytes, device: str) -> None:
        import torch
        from onnx import helper, load_model_from_string, numpy_helper

        torch.backends.cuda.matmul.allow_tf32 = False
        torch.backends.cudnn.allow_tf32 = False
        self.device = device
        graph = load_model_from_string(model).graph
        self._input, self._output = graph.input[0].name, graph.output[0].name
        self._held: dict[str, Any] = {
            i.name: torch.from_numpy(numpy_helper.to_array(i).copy()).to(device) for i in graph.initializer
        }
        self._plain: dict[str, npt.NDArray[Any]] = {}
        self._steps: list[tuple[Callable[..., Any], list[str], str]] = []
        for node in graph.node:
            said = {a.name: helper.get_attribute_value(a) for a in node.attribute}
            if node.op_type == "Constant":
                value = numpy_helper.to_array(said["value"]).copy()
                self._plain[node.output[0]] = value
                self._held[node.output[0]] = torch.from_numpy(value).to(device)
            else:
                self._steps.append((self._step(node.op_type, said, node.input), list(node.input), node.output[0]))
        self._last = {name: k for k, (_, given, _) in enumerate(self._steps) for name in given}

    def __call__(self, grey: FloatArray) -> FloatArray:
        """Return the outputs (channels, z, y, x) for greys (z, y, x)."""
        import torch

        with torch.no_grad():
            held = {self._input: torch.as_tensor(np.ascontiguousarray(grey), device=self.device)[None, None]}
            for k, (work, given, made) in enumerate(self._steps):
                held[made] = work(*(held.get(n, self._held.get(n)) for n in given if n))
                for name in given:  # what no later step needs is let go
                    if self._last[name] == k:
                        held.pop(name, None)
            found: FloatArray = held[self._output][0].float().cpu().numpy()
        return found

    def _step(self, kind: str, said: dict[str, Any], given: Any) -> Callable[..., Any]:
        import torch
        from torch.nn import functional

        if kind == "Conv":
            pads = _same_both(said["pads"], kind)
            return lambda x, w, b=None: functional.conv3d(
                x, w, b, tuple(said["strides"]), pads, tuple(said["dilations"]), said.get("group", 1)
            )
        if kind == "MaxPool":
            if said.get("ceil_mode", 0) or any(d != 1 for d in said.get("dilations", [1])):
                raise NotImplementedError(f"{kind} of this kind")
            pads = _same_both(said.get("pads", [0] * 6), kind)
            return lambda x: functional.max_pool3d(x, tuple(said["kernel_shape"]), tuple(said["strides"]), pads)
        if kind == "Resize":
            how = [said.get("mode"), said.get("coordinate_transformation_mode"), said.get("nearest_mode")]
            times = self._plain[given[2]][2:]
            if how != [b"nearest", b"asymmetric", b"floor"] or (times != np.rint(times)).any():
                raise NotImplementedError(f"{kind} of this kind")
            return lambda x, _times: functional.interpolate(x, scale_factor=[float(t) for t in times], mode="nearest")
        if kind == "Slice":
            starts, ends, axes, steps = (self._plain[n].tolist() for n in given[1:5])
            if axes != [1] or steps != [1]:
                raise NotImplementedError(f"{kind} of this kind")
            return lambda x, *_: x[:, starts[0] : ends[0]]
        axis = said.get("axis", 1)
        known: dict[str, Callable[..., Any]] = {
            "Relu": functional.relu,
            "Sigmoid": torch.sigmoid,
            "Add": torch.add,
            "Mul": torch.mul,
            "Softmax": lambda x: torch.softmax(x, axis),
            "Concat": lambda *x: torch.cat(x, axis),
        }
        if kind not in known:
            raise NotImplementedError(f"operation {kind}")
        return known[kind]


def _same_both(pads: Any, kind: str) -> tuple[int, ...]:
    first, last = tuple(pads[:3]), tuple(pads[3:])
    if first != last:
        raise NotImplementedError(f"{kind} padded unevenly")
    return first
