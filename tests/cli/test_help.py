"""`ossicle --help`: every command by its occasion, and nothing loaded that help does not need."""

from __future__ import annotations

import subprocess
import sys

import pytest

from ossicle.cli.app import app
from ossicle.cli.helping import SECTIONS

HEAVY = ("numpy", "scipy", "rich", "pygments", "markdown_it", "sqlalchemy", "ossicle.reading")


def test_every_command_has_its_occasion() -> None:
    from typer.main import get_command

    placed = [name for names in SECTIONS.values() for name in names]
    assert sorted(placed) == sorted(get_command(app).commands)  # type: ignore[attr-defined]


@pytest.mark.parametrize("words", [["--help"], ["read", "--help"], ["practice", "--help"]])
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    """What is not loaded takes no time: seconds are measured outside the tests (docs/speed.md)."""
    code = (
        "import sys\n"
        "from ossicle.cli import main\n"
        f"assert main({words!r}) == 0\n"
        f"print('LOADED', [m for m in {HEAVY!r} if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "LOADED []" in done.stdout
    assert "Example: ossicle" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80 + len("LOADED []")


def test_help_says_each_command_in_full() -> None:
    done = subprocess.run([sys.executable, "-m", "ossicle", "--help"], capture_output=True, text=True, check=True)
    assert "..." not in done.stdout.split("Options:")[1]
    assert done.stdout.index("Read a scan:") < done.stdout.index("Hand on:")


def test_windows_is_told_where_to_run_it(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    from ossicle.cli import main

    monkeypatch.setattr(sys, "platform", "win32")
    assert main(["read", "C:\\Scans\\OTC 12"]) == 2
    said = capsys.readouterr().err
    assert "Linux subsystem" in said
    assert said.count("\n") == 1
