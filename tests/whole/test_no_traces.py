"""A reading leaves nothing in the user's home but the cache it says it keeps, and tells nobody of its use."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import solids
from cli_tools import write_stack


def test_nothing_is_left_in_the_home(tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    source = write_stack(tmp_path / "bone", solids.limb_bone(), spacing=0.2)
    # Only what a program needs: under CI, or told so, libraries behave better than they do at a person's desk.
    kept = {k: v for k, v in os.environ.items() if k in {"PATH", "LD_LIBRARY_PATH", "LANG", "OPENBLAS_CORETYPE"}}
    program = "import sys; from ossicle.cli import main; sys.exit(main())"
    subprocess.run(
        [sys.executable, "-c", program, "read", source, "--out", tmp_path / "out", "--threads", "1"],
        env={**kept, "HOME": str(home), "OSSICLE_CACHE": str(tmp_path / "cache")},
        check=True,
        capture_output=True,
        timeout=300,
    )
    assert sorted(str(p.relative_to(home)) for p in home.rglob("*") if p.is_file()) == []
