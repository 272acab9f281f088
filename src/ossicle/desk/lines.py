"""The list of specimens, one line each, without opening those that have not changed since they were last listed."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Collection as Some
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from ossicle.collection import Specimen
from ossicle.collection.files import write_file
from ossicle.errors import OssicleError

from .specimen import list_row, summary
from .workbench import Workbench

__all__ = ["Lines"]

BUDGET_S = 1.5
"""How long one list may take to open specimens; the figures of the others come with a later list."""


class Lines:
    """Lines of the list; their figures are kept by the counts of readings, decisions and changes."""

    def __init__(self, bench: Workbench, file: Path) -> None:
        self.bench, self.file = bench, file
        self._lock = threading.Lock()
        self._known: dict[str, dict[str, Any]] = {}
        with suppress(OSError, ValueError):
            data = json.loads(file.read_text(encoding="utf-8"))
            self._known = data if isinstance(data, dict) else {}

    def of(self, specimens: Sequence[Specimen], being_read: Some[int]) -> list[dict[str, Any]]:
        """Return a line for each specimen; ``being_read`` are those whose reading waits or runs."""
        begun, changed, out = time.monotonic(), False, []
        for specimen in specimens:
            key = f"{specimen.readings}.{specimen.decisions}.{specimen.version}"
            with self._lock:
                kept = self._known.get(str(specimen.id))
            figures = kept["figures"] if kept is not None and kept.get("key") == key else None
            if figures is None and specimen.readings and (not changed or time.monotonic() - begun < BUDGET_S):
                try:
                    figures = summary(self.bench.shown(specimen.id))
                except OssicleError as error:  # one damaged reading does not hide the others
                    figures = {"fault": error.sentence()}
                else:
                    with self._lock:
                        self._known[str(specimen.id)] = {"key": key, "figures": figures}
                changed = True
            out.append(list_row(specimen, figures, being_read=specimen.id in being_read))
        if changed:
            with suppress(OssicleError, OSError), self._lock:
                self.file.parent.mkdir(parents=True, exist_ok=True)
                write_file(self.file, json.dumps(self._known, ensure_ascii=False).encode())
        return out
