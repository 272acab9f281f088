"""Tab in bash, really pressed: the script that is installed, in a bash of its own with an empty home."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from ossicle.cli.completing import dentitions, presets

pytestmark = pytest.mark.skipif(shutil.which("bash") is None, reason="there is no bash here")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty home with the completion installed, and a program called ossicle."""
    place = tmp_path_factory.mktemp("home")
    (place / "bin").mkdir()
    program = place / "bin" / "ossicle"
    program.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m ossicle "$@"\n')
    program.chmod(0o755)
    # Which shell it is for is told by the one that calls; ":" keeps bash from giving its place to the program.
    done = subprocess.run(
        ["bash", "-c", f"{shlex.quote(str(program))} --install-completion && :"],
        env=world(place), capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "ossicle" in (place / ".bashrc").read_text()
    return place


def world(home: Path) -> dict[str, str]:
    return {**os.environ, "HOME": str(home), "PATH": f"{home / 'bin'}:{os.environ['PATH']}"}


def offered(home: Path, line: str) -> list[str]:
    """What bash offers after ``line`` and Tab."""
    words = line.split(" ")
    script = (
        f". {shlex.quote(str(home / '.bashrc'))}\n"
        f"COMP_WORDS=({' '.join(map(shlex.quote, words))}); COMP_CWORD={len(words) - 1}\n"
        'function="$(complete -p ossicle | sed "s/.*-F \\([^ ]*\\) .*/\\1/")"; "$function" ossicle\n'
        'printf "%s\\n" "${COMPREPLY[@]}"\n'
    )
    done = subprocess.run(["bash", "-c", script], env=world(home), capture_output=True, text=True, check=True)
    return done.stdout.split()


def test_commands_options_and_words_are_offered(home: Path) -> None:
    assert offered(home, "ossicle les") == ["lesson"]
    assert "--spacing" in offered(home, "ossicle read --sp")
    assert offered(home, "ossicle practice make carnivore-like-ju") == ["carnivore-like-juvenile"]
    assert offered(home, "ossicle account reading/juvenile --format p") == ["pdf"]


def test_the_words_are_those_that_the_program_knows() -> None:
    from ossicle.anatomy import load_dentitions
    from ossicle.practice import presets as known

    assert presets("") == sorted(known(), key=presets("").index)
    assert set(dentitions("")) == {"auto", *load_dentitions()}
    assert dentitions("can") == ["Canis"]
