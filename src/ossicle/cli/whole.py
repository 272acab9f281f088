"""Reading a whole collection: ``ossicle read --all --in COLLECTION``."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path

from ossicle.errors import OssicleError

from .collection import say

__all__ = ["read_all"]


def read_all(
    inside: Path,
    *,
    dentition: str,
    threads: int,
    workers: int,
    cluster: str | None,
    memory_mb: float | None,
    as_json: bool,
) -> None:
    """Read what has no current reading; what failed is told at the end, with reasons, and ends in an error."""
    from ossicle.collection import Collection, person
    from ossicle.collection.reading_all import read_all as read_whole

    from .console import telling

    with Collection.open(inside) as held, telling() as progress:
        done = read_whole(
            held,
            dentition=dentition,
            threads=threads,
            workers=workers,
            cluster=cluster,
            memory_mb=memory_mb,
            who=person(),
            progress=progress,
        )
    if as_json:
        say(asdict(done))
    else:
        print(f"{done.read} read, {done.current} current, {len(done.failed)} failed")
    for failure in done.failed:
        print(f"{failure.name}, scan {failure.scan[:8]}, job {failure.job}: {failure.reason}.", file=sys.stderr)
    if done.failed:
        raise OssicleError(
            f"{len(done.failed)} of {done.read + len(done.failed)} readings failed",
            where=inside,
            mend="mend what the lines above say and run it again; what has been read is kept",
        )
