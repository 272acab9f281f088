"""Every command that README and the documentation show is one that the program takes, with options that it has."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

from ossicle.cli.app import app

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("**/*.md"))]
START = re.compile(r"^(?:\s*(?:\$\s+)?)(?:\.venv/bin/)?ossicle\s+\S")


def shown(text: str) -> list[str]:
    """Command lines of code blocks (indented or fenced), continued lines joined."""
    lines = re.sub(r"\\\n\s*", " ", text).splitlines()
    fenced, out = False, []
    for line in lines:
        if line.lstrip().startswith("```"):
            fenced = not fenced
        elif (fenced or line.startswith("    ")) and START.match(line):
            out.append(line.strip().removeprefix("$ "))
    return out


COMMANDS = [(page.name, line) for page in PAGES for line in shown(page.read_text("utf-8"))]


def test_there_are_commands() -> None:
    assert len(COMMANDS) > 20


@pytest.mark.parametrize(("page", "line"), COMMANDS)
def test_the_program_takes_it(page: str, line: str) -> None:
    line = re.split(r"\s{3,}| \| | > ", line)[0]  # what follows is said of it, or done with what it prints
    words = shlex.split(line, comments=True)[1:]
    if words[0].startswith("--"):
        return
    command: Any = get_command(app)
    while hasattr(command, "commands"):
        name = words.pop(0)
        assert name in command.commands, f"{page} shows `{line}`, and there is no command {name}"
        command = command.commands[name]
    command.make_context(command.name, words, resilient_parsing=False)
