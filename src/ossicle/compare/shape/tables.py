"""Landmarks of several specimens as CSV: one landmark a row, or one specimen a row.

One landmark a row: ``specimen,landmark,x,y,z`` (z left out in two dimensions), and any further columns, which must say
the same throughout a specimen (group, sex, age). One specimen a row: ``specimen`` and columns that end in ``_x``,
``_y`` (and ``_z``). Coordinates in mm; an empty cell is a missing landmark. A column ``round`` numbers repeated rounds.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ossicle.errors import OssicleError
from ossicle.files import text_within

__all__ = ["Landmarks", "landmarks_csv", "landmarks_from_csv", "read_landmarks"]

FloatArray = npt.NDArray[np.float64]
AXES = ("x", "y", "z")
MOST_BYTES = 200 << 20
_MOST_POINTS = 20_000_000
"""Landmarks times specimens, most of them perhaps missing."""
_FARTHEST = 1e9
"""mm; squares of lengths are summed."""


@dataclass(frozen=True)
class Landmarks:
    """Landmarks of specimens: ``points`` (n, p, k) in mm, NaN where one is missing; ``data`` are further columns."""

    specimens: tuple[str, ...]
    names: tuple[str, ...]
    points: FloatArray
    data: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def missing(self) -> tuple[tuple[str, str], ...]:
        """Specimen and landmark of all that are missing."""
        gone = ~np.isfinite(self.points).all(axis=2)
        return tuple((self.specimens[i], self.names[j]) for i, j in np.argwhere(gone))

    def complete(self) -> Landmarks:
        """Return the landmarks that every specimen has.

        Raises
        ------
        OssicleError
            Fewer than three are left.
        """
        kept: npt.NDArray[np.bool_] = np.asarray(np.isfinite(self.points).all(axis=(0, 2)))
        if kept.sum() < 3:
            raise OssicleError(
                f"the specimens share {int(kept.sum())} of {len(self.names)} landmarks, too few for a shape",
                where="landmarks",
                mend="place the missing ones, or leave out the specimens that lack them",
            )
        names = tuple(n for n, k in zip(self.names, kept, strict=True) if k)
        return Landmarks(self.specimens, names, self.points[:, kept], self.data)

    def groups(self, column: str) -> dict[str, list[int]]:
        """Return the indices of the specimens by their value in a column.

        Raises
        ------
        OssicleError
            There is no such column.
        """
        if column not in self.data:
            raise OssicleError(
                f"there is no column {column!r}",
                where="--group",
                mend=f"choose from {', '.join(sorted(self.data))}" if self.data else "add it to the table",
            )
        out: dict[str, list[int]] = {}
        for i, value in enumerate(self.data[column]):
            out.setdefault(value, []).append(i)
        return out


def read_landmarks(path: Path) -> Landmarks:
    """Read a CSV of landmarks.

    Raises
    ------
    OssicleError
        It cannot be read, or a row does not fit; the row is named.
    """
    try:
        text = text_within(path, MOST_BYTES, "utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise OssicleError(f"the landmarks cannot be read ({reason})", where=path, mend="give a CSV") from error
    return landmarks_from_csv(text, path)


def landmarks_from_csv(text: str, where: object = "landmarks") -> Landmarks:
    """Return the landmarks of CSV text, in either form; see the module."""
    sample = text[:4096].splitlines()[:1]
    delimiter = ";" if sample and sample[0].count(";") > sample[0].count(",") else ","
    try:
        rows = [row for row in csv.reader(io.StringIO(text), delimiter=delimiter) if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise OssicleError(f"the table is no CSV ({error})", where=where, mend="save it as CSV again") from error
    if len(rows) < 2:
        raise OssicleError("there is no row of landmarks", where=where, mend="give a heading and a row a landmark")
    head = [cell.strip() for cell in rows[0]]
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(head):
            raise OssicleError(
                f"row {number} has {len(row)} cells, the heading {len(head)}", where=where, mend="mend that row"
            )
    records = [dict(zip(head, (c.strip() for c in row), strict=True)) for row in rows[1:]]
    if "specimen" not in head:
        raise OssicleError("there is no column 'specimen'", where=where, mend="add one that names each specimen")
    if "landmark" in head:
        return _long(records, head, where)
    return _wide(records, head, where)


def _number(text: str, where: object, row: int, column: str) -> float:
    if text == "" or text.lower() in ("na", "nan"):
        return math.nan
    try:
        value = float(text)
    except ValueError:
        raise OssicleError(
            f"{text!r} in row {row}, column {column!r}, is no number", where=where, mend="write mm with a point"
        ) from None
    if not abs(value) < _FARTHEST:
        raise OssicleError(
            f"{text!r} in row {row}, column {column!r}, is no length of a skull", where=where, mend="write mm"
        )
    return value


def _long(records: Sequence[Mapping[str, str]], head: Sequence[str], where: object) -> Landmarks:
    axes = [a for a in AXES if a in head]
    if axes not in (["x", "y"], ["x", "y", "z"]):
        raise OssicleError("there are no columns x and y", where=where, mend="add x, y and, in space, z, in mm")
    further = [c for c in head if c not in ("specimen", "landmark", *AXES)]
    specimens: dict[tuple[str, str], dict[str, list[float]]] = {}
    data: dict[tuple[str, str], dict[str, str]] = {}
    names: dict[str, None] = {}
    for number, r in enumerate(records, start=2):
        key = (r["specimen"], r.get("round", ""))
        names[r["landmark"]] = None
        mine = specimens.setdefault(key, {})
        if r["landmark"] in mine:
            raise OssicleError(
                f"row {number} gives {r['landmark']!r} of {r['specimen']!r} again",
                where=where,
                mend="leave one out, or number the rounds in a column 'round'",
            )
        mine[r["landmark"]] = [_number(r[a], where, number, a) for a in axes]
        said = data.setdefault(key, {c: r[c] for c in further})
        for c in further:
            if said[c] != r[c]:
                raise OssicleError(
                    f"row {number} gives {c} of {r['specimen']!r} as {r[c]!r}, an earlier row as {said[c]!r}",
                    where=where,
                    mend="say the same in all rows of a specimen",
                )
    if len(specimens) * len(names) > _MOST_POINTS:
        raise OssicleError(
            f"{len(specimens)} specimens with {len(names)} different landmarks are too many, most of them missing",
            where=where,
            mend="spell landmarks alike, or split the table",
        )
    blank = [math.nan] * len(axes)
    points = np.array([[mine.get(name, blank) for name in names] for mine in specimens.values()], float)
    columns = {c: tuple(d[c] for d in data.values()) for c in further}
    return Landmarks(tuple(s for s, _ in specimens), tuple(names), points, columns)


def _wide(records: Sequence[Mapping[str, str]], head: Sequence[str], where: object) -> Landmarks:
    names = list(dict.fromkeys(c[:-2] for c in head if c[-2:].lower() in ("_x", "_y", "_z")))
    if not names:
        raise OssicleError(
            "there is neither a column 'landmark' nor one that ends in _x",
            where=where,
            mend="give specimen,landmark,x,y,z, or columns such as basion_x",
        )
    lower = {c.lower(): c for c in head}
    axes = AXES if any(f"{n.lower()}_z" in lower for n in names) else AXES[:2]
    wanted = [[f"{n.lower()}_{a}" for a in axes] for n in names]
    for column in (c for cs in wanted for c in cs if c not in lower):
        raise OssicleError(f"the column {column!r} is missing", where=where, mend="give all coordinates of a landmark")
    used = {lower[c] for cs in wanted for c in cs}
    points = [
        [[_number(r[lower[c]], where, i, c) for c in cs] for cs in wanted] for i, r in enumerate(records, start=2)
    ]
    further = [c for c in head if c not in used and c != "specimen"]
    columns = {c: tuple(r[c] for r in records) for c in further}
    return Landmarks(tuple(r["specimen"] for r in records), tuple(names), np.array(points, float), columns)


def landmarks_csv(landmarks: Landmarks) -> str:
    """Return landmarks as CSV, one landmark a row, mm; what is missing has empty cells."""
    k = landmarks.points.shape[2]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["specimen", "landmark", *AXES[:k], *landmarks.data])
    for i, specimen in enumerate(landmarks.specimens):
        data = [values[i] for values in landmarks.data.values()]
        for j, name in enumerate(landmarks.names):
            cells = ["" if math.isnan(v) else repr(float(v)) for v in landmarks.points[i, j]]
            writer.writerow([specimen, name, *cells, *data])
    return out.getvalue()
