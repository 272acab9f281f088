"""A bench's page and its figures, with the machine that made them."""

from __future__ import annotations

import datetime
import json
import os
import platform
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from .accuracy import commit

__all__ = ["made_here", "write_page"]


def made_here(threads: int) -> dict[str, Any]:
    """Commit, date, machine and threads of a run."""
    return {
        "commit": commit(),
        "date": datetime.date.today().isoformat(),
        "machine": f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}",
        "threads": threads,
    }


def write_page(
    docs: Path, name: str, page: Callable[[Any, Any], str], rows: Sequence[Any], made: dict[str, Any]
) -> None:
    """Write NAME.md and NAME.json into ``docs`` and say where the page is."""
    docs.mkdir(parents=True, exist_ok=True)
    (docs / f"{name}.md").write_text(page(rows, made), encoding="utf-8")
    (docs / f"{name}.json").write_text(json.dumps({"made_by": made, "rows": rows}, indent=1) + "\n", encoding="utf-8")
    print(docs / f"{name}.md")
