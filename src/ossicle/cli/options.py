"""Options that need a look before they are used."""

from __future__ import annotations

import os

__all__ = ["set_threads", "threads_default"]

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
