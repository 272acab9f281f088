"""Volumes that hold no skull: each ends in an account without a tooth, or in one sentence."""

from __future__ import annotations

import numpy as np
import pytest

from ossicle.account import MadeBy, ScanFacts, Source, account_text, account_to_json, build_account
from ossicle.errors import OssicleError
from ossicle.reading import read

Z, Y, X = np.indices((40, 40, 40))
BALL = ((X - 20) ** 2 + (Y - 20) ** 2 + (Z - 20) ** 2 < 250) * 800 + np.random.default_rng(0).normal(100, 5, X.shape)
HOT = BALL.astype(np.float32)
HOT[3, 3, 3] = 3e38
VOLUMES = {
    "one grey": np.zeros((12, 12, 12), np.uint16),
    "one voxel": np.ones((1, 1, 1), np.uint16),
    "two slices": BALL[:2].astype(np.float32),
    "one slice": BALL[20:21].astype(np.float32),
    "greys of 1e30": (BALL * 1e28).astype(np.float32),
    "greys beyond 1e7": (BALL + 1e7).astype(np.float32),
    "upside down": (-BALL).astype(np.float32),
    "whole numbers of 64 bits": (BALL * 1e12).astype(np.int64),
    "two greys": BALL > 500,
    "one hot voxel": HOT,
    "a chequerboard": ((X + Y + Z) % 2 * 1000).astype(np.uint16),
    "noise": np.random.default_rng(1).normal(0, 1, (40, 40, 40)).astype(np.float32),
}


@pytest.mark.parametrize("what", VOLUMES)
def test_what_is_no_skull_has_an_account_without_teeth(what: str) -> None:
    volume = VOLUMES[what]
    found = read(volume, (0.1, 0.1, 0.1))
    assert not found.teeth
    account = build_account(
        found, ScanFacts(volume.shape, (0.1, 0.1, 0.1), (Source("odd", "0" * 64),)), MadeBy("0", {}, 1.0, 1.0)
    )
    account_to_json(account)
    assert "no tooth" in account_text(account).lower()


def test_whole_numbers_read_as_floats_are_told() -> None:
    """A raw file of 16 bits whose sidecar says float32: numbers of about 1e-38."""
    greys = BALL.astype("<u2").reshape(-1).view("<f4").reshape(20, 40, 40)
    with pytest.raises(OssicleError, match="read as another type"):
        read(greys, (0.1, 0.1, 0.1))
