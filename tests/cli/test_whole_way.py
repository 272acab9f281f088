"""From slices to an account with nothing put in between; and what holds no skull names no tooth."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from cli_tools import Run, write_stack

import ossicle.reading
from ossicle.account import schema

Ran = Callable[..., Run]
reads = pytest.mark.skipif(not hasattr(ossicle.reading, "read"), reason="the reading is not there yet")


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from ossicle.practice import make

    return make("carnivore-like-juvenile", tmp_path_factory.mktemp("practice") / "juvenile", voxel_mm=0.16)


@reads
@pytest.mark.slow
def test_a_practice_specimen(run: Ran, made: Path, tmp_path: Path) -> None:
    out = tmp_path / "reading"
    got = run("read", made / "slices", "--out", out, "--threads", 1)
    assert got.code == 0, got.err
    data = json.loads((out / "account.json").read_text())
    jsonschema.validate(data, schema(), cls=jsonschema.Draft202012Validator)
    truth = json.loads((made / "truth" / "truth.json").read_text())
    assert data["scan"]["shape_zyx"] == truth["scan"]["shape_zyx"]
    assert data["made_by"]["settings"]["source"] == "juvenile/slices"
    assert data["pose"]["found"] is True
    # Accuracy is measured in benchmarks/accuracy.py; here the way from slices to names must exist at all.
    named = {(t["jaw"], t["side"], t["name"]) for t in data["teeth"]}
    true = {(t["jaw"], t["side"], t["name"]) for t in truth["teeth"]}
    assert len(named & true) >= len(true) / 2
    assert run("account", out).out.count("row carries") == 4


def sphere(n: int = 64) -> np.ndarray:
    grid = np.indices((n, n, n)) - n / 2
    inside = (grid**2).sum(axis=0) < (n / 3) ** 2
    noise = np.random.default_rng(0).normal(0, 20, (n, n, n))
    return np.clip(1000 + 8000 * inside + noise, 0, 65535).astype(np.uint16)


def noise(n: int = 64) -> np.ndarray:
    return np.random.default_rng(1).integers(0, 60000, (n, n, n), np.uint16)


@reads
@pytest.mark.parametrize("volume", [sphere, noise])
def test_what_is_no_skull_names_no_tooth(run: Ran, tmp_path: Path, volume: Callable[[], np.ndarray]) -> None:
    source = write_stack(tmp_path / "s", volume(), spacing=0.2)
    got = run("read", source, "--out", tmp_path / "out", "--threads", 1)
    assert got.code == 0, got.err
    assert "No tooth row was found in this scan" in got.out
    data = json.loads((tmp_path / "out" / "account.json").read_text())
    assert data["teeth"] == []
    assert data["formula"]["text"] is None


@pytest.mark.parametrize("fault", ["constant", "nan"])
def test_a_volume_without_sense_is_refused(run: Ran, tmp_path: Path, fault: str) -> None:
    volume = np.full((32, 32, 32), 7, np.float32)
    if fault == "nan":
        volume[:] = np.nan
    got = run("read", write_stack(tmp_path / "s", volume), "--out", tmp_path / "out")
    assert got.code == 2, got.err
    assert "Traceback" not in got.err
    assert not (tmp_path / "out").exists()
