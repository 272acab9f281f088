"""Options that several commands share, and some that need a look before they are used."""

from __future__ import annotations

import os
import re
from typing import Annotated

import typer

from ossicle.errors import OssicleError

__all__ = ["Memory", "Mirrored", "Series", "Threads", "megabytes", "set_threads", "threads_default"]

Series = Annotated[str | None, typer.Option(help="Which series, where the folder holds several.", show_default=False)]
Mirrored = Annotated[bool, typer.Option("--mirrored", help="The stack is mirrored: left and right are swapped in it.")]
Threads = Annotated[int, typer.Option(min=1, max=256, help="How many threads may be used.", show_default="all cores")]

Memory = Annotated[
    str | None,
    typer.Option(help="Most memory a reading may take: 4GB, 1500MB. Fewer threads are used then.", show_default=False),
]

_MEMORY = re.compile(r"(?P<count>[0-9]+(?:\.[0-9]+)?)\s*(?P<unit>GB|MB)", re.IGNORECASE)
_POOLS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "BLOSC_NTHREADS",
    "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS",
)


def megabytes(text: str | None) -> float | None:
    """Return an amount of memory in MB; None for none. Raises `OssicleError` where it is none."""
    if text is None:
        return None
    found = _MEMORY.fullmatch(text.strip())
    if found is None or float(found["count"]) <= 0:
        raise OssicleError(f"{text!r} is no amount of memory", where="--memory", mend="write it as 4GB or 1500MB")
    return float(found["count"]) * (1000.0 if found["unit"].upper() == "GB" else 1.0)


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
