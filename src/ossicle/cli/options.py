"""Options that several commands share, and some that need a look before they are used."""

from __future__ import annotations

import os
from typing import Annotated

import typer

__all__ = ["Mirrored", "Series", "Threads", "set_threads", "threads_default"]

Series = Annotated[str | None, typer.Option(help="Which series, where the folder holds several.", show_default=False)]
Mirrored = Annotated[bool, typer.Option("--mirrored", help="The stack is mirrored: left and right are swapped in it.")]
Threads = Annotated[int, typer.Option(min=1, max=256, help="How many threads may be used.", show_default="all cores")]

_POOLS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "BLOSC_NTHREADS",
    "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS",
)


def threads_default() -> int:
    """Return the number of cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on Linux
        return os.cpu_count() or 1


def set_threads(threads: int) -> None:
    """Tell the numerical libraries how many threads they may use; call it before they are imported."""
    for name in _POOLS:
        os.environ[name] = str(threads)
