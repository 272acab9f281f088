"""Work on a GPU is never required, is asked for by name, and gives what the processor gives."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from ossicle.errors import OssicleError
from ossicle.reading import device as module
from ossicle.reading.device import VARIABLE, device, gaussian, network
from ossicle.reading.trees import model_bytes


def test_the_processor_serves_where_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    assert device() == "cpu"
    volume = np.random.default_rng(0).normal(size=(20, 21, 22)).astype(np.float32)
    np.testing.assert_array_equal(gaussian(volume, 0.6), gaussian_filter(volume, 0.6))


@pytest.mark.parametrize("missing", ["torch", "onnx"])
def test_without_its_packages_a_gpu_is_refused_in_one_sentence(monkeypatch: pytest.MonkeyPatch, missing: str) -> None:
    monkeypatch.setitem(sys.modules, "torch", sys)  # anything that can be imported
    monkeypatch.setitem(sys.modules, "onnx", sys)
    monkeypatch.setitem(sys.modules, missing, None)
    monkeypatch.setenv(VARIABLE, "cuda")
    with pytest.raises(OssicleError, match=rf"{missing} is not installed \(PyTorch") as refused:
        network("tooth_network")
    assert refused.value.sentence().count(".") == 1
    monkeypatch.setenv(VARIABLE, "auto")
    assert device() == "cpu"


def test_a_device_of_another_name_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "abacus")
    with pytest.raises(OssicleError, match="no device 'abacus'"):
        device()


def test_pytorch_gives_what_onnx_runtime_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    """On PyTorch's processor way, which sums as its GPU way does but for the order; ONNX Runtime is the reference."""
    pytest.importorskip("torch", reason="PyTorch is for machines with a GPU")
    from ossicle.reading.graph import TorchGraph

    grey = np.random.default_rng(1).normal(0.6, 0.6, (48, 32, 64)).astype(np.float32)
    monkeypatch.delenv(VARIABLE, raising=False)
    expected = network("tooth_network")(grey)
    found = TorchGraph(model_bytes("tooth_network"), "cpu")(grey)
    assert found.shape == expected.shape
    np.testing.assert_allclose(found, expected, rtol=1e-3, atol=2e-4)
    np.testing.assert_allclose(module._gaussian(grey, 0.9, "cpu"), gaussian_filter(grey, 0.9), atol=2e-6)
