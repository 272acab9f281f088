"""What the stage needs of a specimen, made before anybody asks, so that it opens at once."""

from __future__ import annotations

from ossicle.collection import Collection

from .drawn import Drawn
from .rows import Rows
from .workbench import Workbench

__all__ = ["laid_out", "lay_out"]


def lay_out(cabinet: Collection, number: int) -> None:
    """Make surfaces and rows of a specimen and keep them in its collection.

    Parameters
    ----------
    cabinet
        An open collection.
    number
        The specimen's number in it; it has a reading.

    Raises
    ------
    OssicleError
        There is no such specimen, or it was not read.
    """
    bench, drawn = Workbench(cabinet), cabinet.layout.root / "drawn"
    laid_out(bench, Drawn(bench, drawn), Rows(drawn), number)


def laid_out(bench: Workbench, surfaces: Drawn, rows: Rows, number: int) -> None:
    """The same, of a desk that is open."""
    shown = bench.shown(number)
    surfaces.glb(shown)
    rows.of(shown)
