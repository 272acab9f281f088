"""Training: the network's figures, losses and loop."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchmarks.training import object_models
from benchmarks.training.patches import Motion
from scipy.ndimage import center_of_mass
from training_toys import ENAMEL, balls, moved, toy

from ossicle.reading.greys import normalise
from ossicle.reading.tissue_model import ToothChance
from ossicle.reading.votes import Votes


def test_figures_of_the_network_in_closed_form() -> None:
    volumes = toy()
    is_tooth, enamel = volumes.is_tooth, volumes.tissue == ENAMEL
    half = is_tooth & (np.arange(48) % 2 == 0)  # every second plane, of both teeth alike
    index = np.flatnonzero(is_tooth)
    label = volumes.labels.ravel()[index]
    centres = {n: np.array(center_of_mass(volumes.labels == n)) for n in (11, 12)}
    to = np.stack([centres[int(n)] for n in label]) + np.array([0.0, 3.0, 4.0])
    form = np.zeros((len(index), 4), np.float32)
    form[:, 2] = 1  # all said to be premolars, which those of label 11 are
    chance = ToothChance(
        half.astype(np.float32),
        np.zeros(half.shape, np.float32),
        enamel.astype(np.float32),
        Votes(index, to.astype(np.float32), np.full(len(index), 0.9, np.float32), form),
    )
    found = dict(zip(object_models.VOXEL_FIGURES, object_models.voxel_figures(chance, volumes), strict=True))
    assert found["tooth_dice"] == pytest.approx(2 * half.sum() / (half.sum() + is_tooth.sum()))
    assert found["enamel_dice"] == 1
    assert found["way_off_voxels"] == pytest.approx(5, abs=1e-4)
    assert found["deciduous_right"] == 1  # of label 11 alone: 12 is of neither generation
    assert found["form_right"] == pytest.approx((volumes.labels == 11).sum() / is_tooth.sum())


def test_the_network_given_by_path_is_run_in_place_of_the_reading_s(tmp_path: Path) -> None:
    onnx = pytest.importorskip("onnx")
    sides: list[Any] = ["z", "y", "x"]
    value, node = onnx.helper.make_tensor_value_info, onnx.helper.make_node
    scale = np.array([1, 0.5, 0.25, 0, 0, 0, 1, 0, 1, 0, 0], np.float32).reshape(1, 11, 1, 1, 1)
    graph = onnx.helper.make_graph(
        [node("Clip", ["grey", "low", "high"], ["clipped"]), node("Mul", ["clipped", "scale"], ["voxels"])],
        "scaled",
        [value("grey", 1, [1, 1, *sides])],
        [value("voxels", 1, [1, 11, *sides])],
        [
            onnx.numpy_helper.from_array(a, n)
            for n, a in (("low", np.float32(0)), ("high", np.float32(1)), ("scale", scale))
        ],
    )
    path = tmp_path / "mine.onnx"
    path.write_bytes(
        onnx.helper.make_model(
            graph, opset_imports=[onnx.helper.make_opsetid("", 17)], ir_version=8
        ).SerializeToString()
    )
    volume = normalise(toy().grey)[0]
    chance = object_models.chance_by(path, volume, threads=1)
    expected, solid = np.clip(volume.values, 0, 1), volume.values > 0.5  # all that is solid is looked at
    np.testing.assert_allclose(chance.tooth[solid], expected[solid], atol=1e-6)
    np.testing.assert_allclose(chance.enamel[solid], expected[solid] / 2, atol=1e-6)
    assert (chance.votes.form.argmax(axis=1) == 1).all()


def course(**given: Any) -> Any:
    from benchmarks.training.fitting import Course

    return Course(**{"side": 16, "widths": (4, 6), "half": False, "threads": 1, "every": 4, "rate": 1e-2, **given})


def test_a_folded_network_gives_the_same_and_its_onnx_file_too(tmp_path: Path) -> None:
    torch = pytest.importorskip("torch")
    from benchmarks.training import network

    torch.manual_seed(3)
    net = network.ToothNetwork((4, 6, 8)).eval()
    for part in net.modules():
        if isinstance(part, network.Convolution):
            torch.nn.init.uniform_(part.gain, 0.5, 1.5)
            torch.nn.init.normal_(part.convolution.bias, 0, 0.1)
            if not part.plain:  # standardised: no mean, and the norm that its gain says
                weight = part.weight().detach()
                np.testing.assert_allclose(weight.mean((1, 2, 3, 4)), 0, atol=1e-6)
                norm = network.GAIN * part.gain.detach()
                np.testing.assert_allclose(weight.pow(2).sum((1, 2, 3, 4)).sqrt(), norm, rtol=1e-4)
    x = torch.randn(1, 1, 16, 32, 24)
    with torch.no_grad():
        raw = net(x)
        np.testing.assert_allclose(network.folded(net)(x), raw, atol=1e-5)
    path = tmp_path / "deep" / "n.onnx"
    assert network.export(net, path, "test") < network.TOLERANCE
    assert [p.name for p in path.parent.iterdir()] == ["n.onnx"]
    import onnxruntime

    session = onnxruntime.InferenceSession(path.read_bytes(), providers=["CPUExecutionProvider"])
    (said,) = session.run(None, {"grey": x.numpy()})
    assert said.shape == (1, 11, 16, 32, 24)
    np.testing.assert_allclose(said[:, 3:6], network.WAY * raw[:, 3:6].numpy(), atol=1e-3)
    np.testing.assert_allclose(said[:, 7:].sum(axis=1), 1, atol=1e-5)
    np.testing.assert_allclose(said[:, 0], 1 / (1 + np.exp(-raw[:, 0].numpy())), atol=1e-5)


def test_losses_are_least_where_the_network_says_the_truth() -> None:
    torch = pytest.importorskip("torch")
    from benchmarks.training.fitting import PARTS, losses
    from benchmarks.training.network import WAY

    patch = moved(balls(), Motion(), side=44)
    said = torch.zeros(1, 11, 44, 44, 44)
    for channel, truth in ((0, patch.tooth), (1, patch.enamel), (2, patch.close), (6, patch.deciduous)):
        said[0, channel] = torch.from_numpy(np.where(truth > 0, 30.0, -30.0))
    said[0, 3:6] = torch.from_numpy(patch.way) / WAY
    for form in range(4):
        said[0, 7 + form] = torch.from_numpy(np.where(patch.form == form, 30.0, -30.0))
    right = losses(said, patch)
    assert set(right) == set(PARTS)
    assert all(float(part) < 1e-3 for part in right.values())
    channels = {"tooth": 0, "enamel": 1, "close": 2, "way": 4, "deciduous": 6, "form": 9}
    for name, channel in channels.items():
        wrong = said.clone()
        wrong[0, channel] = -wrong[0, channel] + (1 if name == "way" else 0)
        changed = {k for k, part in losses(wrong, patch).items() if float(part) > float(right[k]) + 1e-3}
        assert changed == {name, *({f"{name} dice"} & set(PARTS))}
    blind = said.clone()  # outside teeth nothing is asked of ways, generation and class
    outside = torch.from_numpy(patch.tooth == 0)
    blind[0, 3:, outside] = 7.0
    assert all(float(losses(blind, patch)[k]) == pytest.approx(float(right[k]), abs=1e-6) for k in PARTS)


def test_a_fit_that_was_stopped_goes_on_as_if_it_had_not(tmp_path: Path) -> None:
    torch = pytest.importorskip("torch")
    from benchmarks.training import fitting

    s, lines = balls(), []
    whole, went = fitting.fit([s], [1.0], course(steps=12), tmp_path / "whole.pt", lines.append)
    assert went["steps"] == 12
    assert sum("step" in line for line in lines) == 3

    class Stopped(Exception):
        pass

    def stop(line: str) -> None:
        raise Stopped

    with pytest.raises(Stopped):
        fitting.fit([s], [1.0], course(steps=12), tmp_path / "parts.pt", stop)  # after the fourth step
    assert not fitting.finished(tmp_path / "parts.pt", course(steps=12))
    again, _ = fitting.fit([s], [1.0], course(steps=12), tmp_path / "parts.pt", lines.append)
    assert "goes on from step 4" in lines[3]
    assert fitting.finished(tmp_path / "parts.pt", course(steps=12))
    for one, other in zip(whole.parameters(), again.parameters(), strict=True):
        torch.testing.assert_close(one, other, rtol=1e-5, atol=1e-6)
    kept, went = fitting.fit([], [], course(steps=12), tmp_path / "whole.pt", lines.append)  # over: nothing is drawn
    assert went["steps"] == 12
    for one, other in zip(whole.parameters(), kept.parameters(), strict=True):
        assert torch.equal(one, other)


def test_a_fit_learns_and_may_be_told_its_minutes(tmp_path: Path) -> None:
    pytest.importorskip("torch")
    from benchmarks.training import fitting

    s, lines = balls(), []
    fitting.fit([s], [1.0], course(steps=160, every=40, side=24), tmp_path / "a.pt", lines.append)
    first, last = (float(line.split("tooth ")[1].split(",")[0]) for line in (lines[0], lines[-1]))
    assert last < 0.5 * first
    _, went = fitting.fit([s], [1.0], course(minutes=0.01, every=1000), tmp_path / "b.pt", lines.append)
    assert went["steps"] > 0
    assert fitting.finished(tmp_path / "b.pt", course(minutes=0.01))
    assert not fitting.finished(tmp_path / "b.pt", course(minutes=50))
    with pytest.raises(ValueError, match="steps or of minutes"):
        course()
