"""Inputs that once broke something, and small whole ones: each ends in a result or one sentence."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).resolve().parents[2]))  # `benchmarks` is no part of the installed package

from benchmarks.fuzz import changed, once
from benchmarks.fuzz_json import holds_json, mutator
from benchmarks.fuzz_targets import targets

from ossicle.errors import OssicleError

pytestmark = pytest.mark.filterwarnings("ignore::UserWarning", "ignore::RuntimeWarning")
CORPUS = Path(__file__).parent / "corpus"
TARGETS = targets()


@pytest.mark.parametrize("name", list(TARGETS))
def test_whole_inputs_are_read(name: str) -> None:
    target, seeds = TARGETS[name]
    for seed in seeds:
        target(seed)  # raises nothing at all


FOUND = sorted(p for p in CORPUS.rglob("*") if p.is_file())


@pytest.mark.parametrize("path", FOUND, ids=lambda p: f"{p.parent.name}-{p.name}")
def test_what_was_found_once(path: Path) -> None:
    target, _ = TARGETS[path.parent.name]
    assert once(target, path.read_bytes()) is None


@pytest.mark.parametrize("name", list(TARGETS))
def test_changed_inputs(name: str) -> None:
    target, seeds = TARGETS[name]
    rng = random.Random(name)
    slow = name in ("account", "decision", "zarr") or name.startswith(("scan-", "deposit-re"))
    for _ in range(60 if slow else 300):
        data = changed(rng.choice(seeds), rng)
        assert once(target, data) is None, data


@pytest.mark.parametrize("name", [n for n, (_, seeds) in TARGETS.items() if any(map(holds_json, seeds))])
def test_json_that_stays_json(name: str) -> None:
    target, seeds = TARGETS[name]
    change = mutator(lambda data, most: data)
    rng = random.Random(name)
    read = 0
    for _ in range(60):
        data = rng.choice(seeds)
        for _ in range(rng.randrange(1, 3)):
            data = change(data, 200_000, rng.randrange(10**9))
        read += holds_json(data)
        assert once(target, data) is None, data
    assert read > 40


def test_a_fault_is_seen() -> None:
    """So that the tests above can fail."""

    def broken(data: bytes) -> None:
        raise KeyError("no such thing")

    class Lines(OssicleError):
        def sentence(self) -> str:
            return "one\ntwo"

    def many_lines(data: bytes) -> None:
        raise Lines("one")

    assert once(broken, b"") == "KeyError: 'no such thing'"
    assert "its sentence is none" in str(once(many_lines, b""))
    assert once(lambda data: None, b"") is None
