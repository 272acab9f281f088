"""docs/origin.md says of every command, leaf and key where it comes from; what is added must be told there too."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from ossicle.cli.app import app

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "origin.md").read_text("utf-8")
KEYS = (ROOT / "web" / "src" / "state" / "keys.ts").read_text("utf-8")
LEAVES = (ROOT / "web" / "src" / "leaf" / "LeafPlace.tsx").read_text("utf-8")


def part(heading: str) -> str:
    """The text below a heading, as far as the next of its rank."""
    return PAGE.split(f"\n## {heading}\n")[1].split("\n## ")[0]


def commands(command: Any, name: str = "") -> Iterator[str]:
    """Names of commands, those of groups too."""
    if name:
        yield name
    for sub, child in getattr(command, "commands", {}).items():
        if not child.hidden:
            yield from commands(child, sub)


@pytest.mark.parametrize("name", sorted(set(commands(get_command(app)))))
def test_every_command_is_told(name: str) -> None:
    assert f"`{name}`" in part("Commands")


def test_no_command_is_told_that_there_is_not() -> None:
    first = [row.split("|")[1] for row in part("Commands").splitlines() if row.startswith("| `")]
    assert {word for cell in first for word in re.findall("`([^`]+)`", cell)} <= set(commands(get_command(app)))


def sheet_keys() -> list[str]:
    """Keys on the desk's own sheet of keys."""
    sheet = KEYS.split("SHEET")[1].split("\n];")[0]
    pairs = re.findall(r'\["([^"]+)", "[^"]+"\]', sheet)
    return sorted({key for pair in pairs for key in pair.split(" ") if key != "…"})


def test_the_sheet_of_keys_was_found() -> None:
    assert {"n", "Esc", "F6", "Delete", "[", "V"} <= set(sheet_keys())


@pytest.mark.parametrize("key", sheet_keys())
def test_every_key_is_told(key: str) -> None:
    table = "\n".join(row for row in part("The desk").splitlines() if row.startswith("| `"))
    assert f"`{key}`" in table


def test_every_leaf_is_told() -> None:
    titles = re.findall(r'\w+: "([^"]+)"', LEAVES.split("TITLES")[1].split("};")[0])
    assert len(titles) > 5
    assert [t for t in titles if f"leaf *{t}*" not in part("The desk")] == []
