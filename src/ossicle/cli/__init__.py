"""Ossicle's commands. `main` is the console script.

Exit codes: 0 done; 2 something a person can mend, said in one sentence; 70 a fault of ours; 130 stopped by
Ctrl-C; 143 stopped by a signal to end.
"""

from __future__ import annotations

from .start import main

__all__ = ["main"]
