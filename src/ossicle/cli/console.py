"""What is shown in the terminal: progress on stderr, accounts on stdout."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import (
    BarColumn,
    Progress,
    SpinnerColumn,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from ossicle.account.prose import account_text
from ossicle.account.records import REGIONS, Account

__all__ = ["print_account", "telling"]


@contextmanager
def telling(*, by_stage: bool = False) -> Iterator[Callable[[str, float], None]]:
    """Give a function to tell stage and share done: a bar with time left on a terminal, else a line a stage.

    ``by_stage`` says that the share is of the stage and not of the whole.
    """
    console = Console(stderr=True)
    if not console.is_terminal:
        yield _lines(by_stage)
        return
    bar = Progress(
        SpinnerColumn(),
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
        console=console,
        transient=True,
    )
    with bar:
        task = bar.add_task("starting", total=1.0)

        now = "starting"

        def told(stage: str, fraction: float) -> None:
            nonlocal now
            if by_stage and stage != now:
                bar.reset(task, description=stage)
            now = stage
            bar.update(task, description=stage, completed=fraction)

        yield told


def _lines(by_stage: bool) -> Callable[[str, float], None]:
    last = ""

    def told(stage: str, fraction: float) -> None:
        nonlocal last
        if stage != last:
            last = stage
            share = "" if by_stage else f"{round(100 * fraction):3d} %  "
            print(f"{share}{stage}", file=sys.stderr, flush=True)

    return told


def print_account(account: Account) -> None:
    """Print an account as text, headings set off on a terminal."""
    console = Console(highlight=False, soft_wrap=True)
    if not console.is_terminal:
        sys.stdout.write(account_text(account))
        return
    headings = {*REGIONS.values(), "Warnings", "Cautions"}
    for line in account_text(account, width=max(40, min(console.width, 100))).splitlines():
        console.print(Text(line, style="bold" if line in headings else ""))
