"""Removing a folder of half-done work that a writer may still be filling."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

__all__ = ["remove_folder"]

_PATIENCE_SECONDS = 5.0


def remove_folder(folder: Path, *, watch_seconds: float = 0.0) -> None:
    """Remove a folder and all it holds; nothing is raised where that fails.

    When one of several writing threads fails, the others still put down files they had begun, so that the
    folder stays or comes back; it is removed again until it is gone, for at most five seconds.

    Parameters
    ----------
    folder
        What to remove; it need not exist.
    watch_seconds
        How long it must stay away, in seconds. Writers that make missing folders themselves need this.
    """
    end = time.monotonic() + _PATIENCE_SECONDS
    quiet_from = time.monotonic()
    while time.monotonic() < end:
        if folder.exists():
            shutil.rmtree(folder, ignore_errors=True)
            quiet_from = time.monotonic()
        if time.monotonic() - quiet_from >= watch_seconds and not folder.exists():
            return
        time.sleep(0.02)
