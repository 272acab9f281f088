"""The folder of a matrix: NEXUS, two CSV tables and the page, each written whole."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from ossicle.account.folder import write_texts
from ossicle.errors import OssicleError
from ossicle.files import read_within

from .nexus import MOST_LETTERS, matrix_from_nexus, matrix_to_nexus
from .page import Shown, matrix_html
from .records import Matrix
from .tables import cells_csv, matrix_csv

__all__ = ["read_nexus", "write_matrix"]

_LARGEST = 4 * MOST_LETTERS
"""Bytes: a letter has four at most (RFC 3629)."""


def read_nexus(path: Path) -> Matrix:
    """Read a matrix from a NEXUS file.

    Raises
    ------
    OssicleError
        It cannot be read, or holds no matrix.
    """
    try:
        raw = read_within(path, _LARGEST)
    except OSError as error:
        raise OssicleError(f"it cannot be read ({error.strerror})", where=path, mend="name a NEXUS file") from error
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")  # files of the nineties; every byte is a letter there
    return matrix_from_nexus(text, path.name)


def write_matrix(out: Path, matrix: Matrix, shown: Mapping[str, Shown] | None = None) -> list[Path]:
    """Write ``matrix.nex``, ``matrix.csv``, ``cells.csv`` and ``matrix.html`` into a folder, made where it is missing.

    Raises
    ------
    OssicleError
        The matrix cannot be NEXUS, or the place cannot be written to.
    """
    texts = {
        "matrix.nex": matrix_to_nexus(matrix),
        "matrix.csv": matrix_csv(matrix),
        "cells.csv": cells_csv(matrix),
        "matrix.html": matrix_html(matrix, shown),
    }
    write_texts(out, texts)
    return [out / name for name in texts]
