"""A deposit in another place: verified, received and read again with an empty home; the account is the same."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.slow
VOXEL = "0.25"
"""mm; far coarser than teeth need, so that it is read in seconds. What counts is that two readings say the same."""
SEED = "864"


class Place:
    """A machine of its own, as far as a process can have one: an empty home, none of our environment."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "home").mkdir(parents=True)

    def run(self, *words: object) -> str:
        """Run a command there and return what it printed."""
        clean = {
            "PATH": os.environ["PATH"], "HOME": str(self.folder / "home"), "LANG": "C.UTF-8",
            "PYTHONPATH": os.pathsep.join(sys.path),
        }  # fmt: skip
        done = subprocess.run(
            [sys.executable, "-m", "ossicle", *map(str, words)],
            cwd=self.folder, env=clean, capture_output=True, text=True, check=False, timeout=900,
        )  # fmt: skip
        assert done.returncode == 0, (words, done.stderr)
        return done.stdout

    def account(self, cabinet: str) -> dict[str, Any]:
        """Return a specimen's account but for what the reading cost."""
        told: dict[str, Any] = json.loads(self.run("account", "OTC 1", "--in", cabinet, "--json"))
        del told["made_by"]
        return told


def test_a_deposit_is_received_and_read_again_elsewhere(tmp_path: Path) -> None:
    here, there = Place(tmp_path / "here"), Place(tmp_path / "there")
    here.run("practice", "make", "carnivore-like-adult", "--out", "scan", "--voxel", VOXEL, "--seed", SEED,
             "--threads", 1)  # fmt: skip
    here.run("intake", "scan", "--into", "cabinet", "--term", "catalogNumber=OTC 1", "--who", "A. Keeper")
    here.run("read", "OTC 1", "--in", "cabinet", "--threads", 1)
    teeth = here.account("cabinet")["teeth"]
    assert len(teeth) >= 5, "an account without teeth tells nothing"
    finding = here.account("cabinet")["findings"][0]["id"]
    here.run("decide", "OTC 1", "agree", "--finding", finding, "--in", "cabinet", "--who", "A. Reader")
    here.run("score", "OTC 1", "--in", "cabinet", "--character", "stapes_form", "--state", "0", "--why", "two crura",
             "--who", "A. Reader")  # fmt: skip
    out = there.folder / "got.zip"
    here.run("deposit", "OTC 1", "--in", "cabinet", "--out", out, "--license", "CC-BY-4.0", "--rights-holder", "OTC",
             "--embargo", "none", "--author", "Reader, Anna", "--no-meshes", "--date", "2031-05-01")  # fmt: skip
    account, scores = here.account("cabinet"), here.run("score", "OTC 1", "--in", "cabinet", "--json")

    assert json.loads(there.run("deposit", "--verify", "got.zip", "--json"))["sound"]
    there.run("receive", "got.zip", "--into", "fresh", "--who", "C. Keeper")
    assert there.account("fresh") == account
    assert there.run("score", "OTC 1", "--in", "fresh", "--json") == scores
    there.run("read", "OTC 1", "--in", "fresh", "--threads", 1)
    assert there.account("fresh") == account
    assert len(json.loads(there.run("show", "OTC 1", "--in", "fresh", "--json"))["reading_list"]) == 2
