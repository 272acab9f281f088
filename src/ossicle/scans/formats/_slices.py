"""Stacks kept as one picture file a slice: choosing the stack in a folder, and reading its files."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.formats._stack import Request, Stack, reading
from ossicle.scans.limits import check_claim
from ossicle.scans.model import SeriesInfo
from ossicle.scans.naming import NumberedStack, missing_numbers, number_stacks, shown

__all__ = ["choose_stack", "files_with_suffix", "slice_stack", "stacks_as_series"]

Decoder = Callable[[bytes, Path], NDArray[Any]]


def files_with_suffix(folder: Path, suffixes: Sequence[str]) -> list[str]:
    """Return the names of a folder's visible files with one of the suffixes (any case)."""
    return [
        entry.name
        for entry in folder.iterdir()
        if not entry.name.startswith((".", "._")) and entry.suffix.lower() in suffixes and entry.is_file()
    ]


def stacks_as_series(folder: Path, suffixes: Sequence[str]) -> list[SeriesInfo]:
    """List the stacks of slices in a folder, told apart by their names."""
    return [
        SeriesInfo(shown(stack.id), None, None, None, len(stack.names), 0, 0)
        for stack in number_stacks(files_with_suffix(folder, suffixes))
    ]


def choose_stack(folder: Path, suffixes: Sequence[str], request: Request) -> tuple[NumberedStack, list[str]]:
    """Choose the stack of slices in a folder, by ``series`` where there are several.

    Returns the stack and warnings about files left out.

    Raises
    ------
    OssicleError
        There are several and none is chosen, or the choice fits none.
    """
    stacks = number_stacks(files_with_suffix(folder, suffixes))
    whole = [stack for stack in stacks if len(stack.names) > 1]
    if request.series is not None:
        fitting = [stack for stack in stacks if shown(stack.id) == request.series] or [
            stack for stack in stacks if request.series in shown(stack.id)
        ]
        if len(fitting) != 1:
            raise OssicleError(
                f"{'several stacks fit' if fitting else 'no stack is called'} “{request.series}”",
                where=shown(folder),
                mend="choose one of " + _listed(stacks),
            )
        return fitting[0], []
    if not whole:
        if len(stacks) > 1:  # names without a common pattern: take them all, in natural order
            names = tuple(name for stack in sorted(stacks, key=lambda s: s.id) for name in stack.names)
            raise OssicleError(
                f"the names of its {len(names)} pictures share no running number",
                where=shown(folder),
                mend="name the slices so that only a number differs, as in slice_0001.tif",
            )
        return stacks[0], []
    main = whole[0]
    if len(whole) > 1 and len(whole[1].names) > max(3, len(main.names) // 20):
        raise OssicleError(
            f"the folder holds {len(whole)} stacks",
            where=shown(folder),
            mend="choose one with --series: " + _listed(whole),
        )
    warnings = []
    others = [shown(name) for stack in stacks if stack is not main for name in stack.names]
    if others:
        warnings.append(
            f"{len(others)} file{'s' if len(others) > 1 else ''} beside the stack {shown(main.id)} "
            f"{'were' if len(others) > 1 else 'was'} left out: "
            f"{', '.join(others[:5])}{' …' if len(others) > 5 else ''}."
        )
    return main, warnings


def slice_stack(folder: Path, stack: NumberedStack, decode: Decoder, kind: str, warnings: list[str]) -> Stack:
    """Make a stack of one file a slice; ``decode`` turns a file's bytes into an array (y, x)."""
    files = [folder / name for name in stack.names]
    if len(files) < 2:
        raise OssicleError(
            "there is one single slice, not a volume",
            where=shown(files[0]),
            mend="give the folder with all slices",
        )
    with reading(files[0], kind):
        first = decode(files[0].read_bytes(), files[0])
    rows, columns = first.shape
    dtype = first.dtype.newbyteorder("=")
    check_claim((len(files), rows, columns), 0, 0, where=shown(folder.name), packed=False)
    digests: dict[Path, tuple[str, int]] = {}

    def read(z0: int, z1: int) -> NDArray[Any]:
        out = np.empty((z1 - z0 if z1 - z0 > 1 else 0, rows, columns), dtype)
        for z in range(z0, z1):
            path = files[z]
            with reading(path, kind):
                raw = path.read_bytes()
                digests[path] = (hashlib.sha256(raw).hexdigest(), len(raw))
                plane = decode(raw, path)
            if plane.shape != (rows, columns):
                raise OssicleError(
                    f"slices differ in size: {shown(path.name)} has {plane.shape[1]} x {plane.shape[0]} "
                    "voxels, "
                    f"{shown(files[0].name)} has {columns} x {rows}",
                    where=shown(folder),
                    mend="give slices of one size only",
                )
            if plane.dtype.newbyteorder("=") != dtype:
                raise OssicleError(
                    f"slices differ in type: {shown(path.name)} is {plane.dtype}, {shown(files[0].name)} is {dtype}",
                    where=shown(folder),
                    mend="give slices of one type only",
                )
            if z1 - z0 == 1:
                return plane[np.newaxis].astype(dtype, copy=False)
            out[z - z0] = plane
        return out

    missing = missing_numbers(stack.numbers)
    if missing:
        listed = ", ".join(str(n) for n in missing[:8]) + (" …" if len(missing) > 8 else "")
        warnings.append(
            f"The numbering of the slices ({stack.numbers[0]} to {stack.numbers[-1]}) leaves out "
            f"{len(missing)}: {listed}; what lay there is missing and the rest is moved together."
        )
    doubled = len(stack.numbers) - len(set(stack.numbers))
    if doubled:
        warnings.append(f"{doubled} slice number{'s occur' if doubled > 1 else ' occurs'} twice in the file names.")
    return Stack((len(files), rows, columns), dtype, read, files, folder, warnings=warnings, digests=digests)


def _listed(stacks: Sequence[NumberedStack]) -> str:
    text = ", ".join(f"{shown(stack.id)} ({len(stack.names)})" for stack in stacks[:8])
    return text + (" …" if len(stacks) > 8 else "")
