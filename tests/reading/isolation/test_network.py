"""Blocks cover a volume once; a network run block by block gives what it gives on the whole (scipy's box mean)."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import uniform_filter

from ossicle.reading import network
from ossicle.reading.network import LARGEST, MARGIN, RANGE, STEP, blocks, run

SIDE = st.integers(1, 420)


def check(found: list[network.Block]) -> None:
    """What holds of every block alone."""
    for own, shown, inner in found:
        sides = [s.stop - s.start for s in shown]
        assert all(n % STEP == 0 for n in sides)
        assert np.prod(sides) <= LARGEST
        for o, s, i in zip(own, shown, inner, strict=True):
            assert o.start < o.stop
            assert (s.start + i.start, s.start + i.stop) == (o.start, o.stop)
            assert o.start - s.start >= MARGIN
            assert s.stop - o.stop >= MARGIN


@given(st.tuples(SIDE, SIDE, SIDE))
@settings(max_examples=20, deadline=None)
def test_blocks_cover_a_volume_exactly_once_where_all_is_wanted(shape: tuple[int, int, int]) -> None:
    found = blocks(np.ones(shape, bool))
    check(found)
    cuts = [sorted({(own[axis].start, own[axis].stop) for own, _, _ in found}) for axis in range(3)]
    for line, n in zip(cuts, shape, strict=True):
        assert [a for a, _ in line] == [0, *(b for _, b in line[:-1])]  # each goes on where the last one ends
        assert line[-1][1] == n
    assert len({tuple(o.start for o in own) for own, _, _ in found}) == len(found) == np.prod([len(c) for c in cuts])


@given(st.tuples(*[st.integers(1, 150)] * 3), st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_blocks_hold_all_that_is_wanted_and_none_overlap(shape: tuple[int, int, int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    wanted = np.zeros(shape, bool)
    for _ in range(int(rng.integers(0, 4))):
        corner = [int(rng.integers(n)) for n in shape]
        wanted[tuple(slice(c, c + int(rng.integers(1, 30))) for c in corner)] = True
    found = blocks(wanted)
    check(found)
    times = np.zeros(shape, int)
    for own, _, _ in found:
        assert times[own].size == np.prod([s.stop - s.start for s in own])  # within the volume
        times[own] += 1
    assert times.max(initial=0) <= 1
    assert times[wanted].all()
    if not wanted.any():
        assert found == []


class BoxMean:
    """Stands for a network of one channel: the mean of 27 voxels, 0 outside what it is shown."""

    def __call__(self, grey: np.ndarray) -> np.ndarray:
        return uniform_filter(grey, 3, mode="constant")[None]


def onnx_box_mean() -> Any:
    """The same as an ONNX file run by ONNX Runtime: one convolution with weights of 1/27."""
    onnx = pytest.importorskip("onnx", reason="onnx comes with the dependency group train")
    import onnxruntime

    sides: list[str | int] = [1, 1, "z", "y", "x"]
    value = onnx.helper.make_tensor_value_info
    weights = onnx.numpy_helper.from_array(np.full((1, 1, 3, 3, 3), 1 / 27, np.float32), "w")
    node = onnx.helper.make_node("Conv", ["grey", "w"], ["voxels"], pads=[1] * 6)
    graph = onnx.helper.make_graph([node], "mean", [value("grey", 1, sides)], [value("voxels", 1, sides)], [weights])
    model = onnx.helper.make_model(graph, opset_imports=[onnx.helper.make_opsetid("", 17)], ir_version=8)
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    held = onnxruntime.InferenceSession(model.SerializeToString(), options, providers=["CPUExecutionProvider"])
    return lambda grey: held.run(None, {"grey": grey[None, None]})[0][0]


def put_together(values: np.ndarray, wanted: np.ndarray, threads: int) -> np.ndarray:
    out = np.full(values.shape, np.nan, np.float32)
    for box, found in run("any", values, wanted, threads=threads):
        assert np.isnan(out[box]).all()
        (out[box],) = found
    return out


@pytest.mark.parametrize("make", [BoxMean, onnx_box_mean])
def test_block_by_block_is_as_the_whole_on_any_number_of_threads(
    make: Callable[[], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    model = make()
    monkeypatch.setattr(network, "network", lambda name: model)
    monkeypatch.setattr(network, "LARGEST", 600_000)
    values = np.random.default_rng(0).normal(1, 2, (61, 70, 115)).astype(np.float32)
    wanted = np.ones(values.shape, bool)
    assert len(blocks(wanted)) >= 3
    whole = put_together(values, wanted, 1)
    expected = uniform_filter(np.clip(values, *RANGE), 3, mode="constant")  # outside the volume it is shown 0
    np.testing.assert_allclose(whole, expected, atol=2e-6)
    for threads in (2, 3):
        np.testing.assert_array_equal(put_together(values, wanted, threads), whole)


def test_what_is_not_wanted_is_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(network, "network", lambda name: BoxMean())
    values = np.random.default_rng(1).normal(1, 0.5, (60, 60, 400)).astype(np.float32)
    wanted = np.zeros(values.shape, bool)
    wanted[30, 20, 5] = wanted[20, 30, 390] = True
    found = put_together(values, wanted, 2)
    expected = uniform_filter(np.clip(values, *RANGE), 3, mode="constant")
    np.testing.assert_allclose(found[wanted], expected[wanted], atol=2e-6)
    assert np.isnan(found[:, :, 200]).all()  # nor what lies between
    assert np.isnan(put_together(values, np.zeros(values.shape, bool), 1)).all()
