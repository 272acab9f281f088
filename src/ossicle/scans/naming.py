"""File names of slices: their natural order, the stacks they belong to, and gaps in their numbering."""

from __future__ import annotations

import os
import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

__all__ = ["NumberedStack", "missing_numbers", "natural_key", "number_stacks", "printable", "shown"]

# Runs of ASCII digits only: str.isdigit accepts superscripts that int() refuses.
_DIGITS = re.compile(r"([0-9]+)")


def natural_key(name: str) -> tuple[tuple[int, int | str], ...]:
    """Return a sort key that puts ``slice_2`` before ``slice_10``, whatever the case.

    The name itself comes last in the key, so that the order is total and never depends on the folder's own
    order.

    >>> sorted(["s10.tif", "s2.tif", "S1.tif"], key=natural_key)
    ['S1.tif', 's2.tif', 's10.tif']
    """
    parts: list[tuple[int, int | str]] = []
    for piece in _DIGITS.split(name):
        if piece == "":
            continue
        parts.append((0, int(piece)) if piece.isascii() and piece.isdigit() else (1, piece.casefold()))
    return (*parts, (-1, name))


def shown(name: str | os.PathLike[str]) -> str:
    """Return a name fit for a sentence or JSON (see :func:`printable`)."""
    return printable(os.fspath(name))


def printable(text: str) -> str:
    """Return text from a file fit for a terminal and for JSON: nothing in it moves a cursor or breaks a line.

    >>> printable("a\\x1b[2Jb\\udcff")
    'a\\\\x1b[2Jb\\\\xff'
    """
    try:
        whole = text.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        whole = text.encode("utf-8", "backslashreplace")
    return "".join(
        c if c.isprintable() or unicodedata.category(c) == "Zs" else c.encode("unicode_escape").decode()
        for c in whole.decode("utf-8", "backslashreplace")
    )


@dataclass(frozen=True)
class NumberedStack:
    """File names that make one stack, in order.

    Parameters
    ----------
    id
        The common part of the names, ``#`` standing for the running number: ``skull_#.tif``.
    names
        The names, in the order of their numbers.
    numbers
        Their running numbers; empty where the names carry none.
    """

    id: str
    names: tuple[str, ...]
    numbers: tuple[int, ...]


def number_stacks(names: Iterable[str]) -> list[NumberedStack]:
    """Sort file names into stacks, largest first.

    Names belong together where they differ in one running number only. Where several numbers vary, the one
    with the most different values runs, unless it alone tells all names apart (then the others merely go
    along with it).
    """
    patterns: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for name in sorted(names, key=natural_key):
        patterns[tuple(_DIGITS.split(name)[0::2])].append(name)
    stacks = [stack for group in patterns.values() for stack in _stacks_of_one_pattern(group)]
    return sorted(stacks, key=lambda stack: (-len(stack.names), natural_key(stack.id)))


def _stacks_of_one_pattern(names: Sequence[str]) -> list[NumberedStack]:
    pieces = [_DIGITS.split(name) for name in names]
    columns = list(zip(*(p[1::2] for p in pieces), strict=True))
    varying = [i for i, column in enumerate(columns) if len({int(v) for v in column}) > 1]
    if not varying:
        return [NumberedStack(name, (name,), ()) for name in names]
    values = {i: sorted({int(v) for v in columns[i]}) for i in varying}
    running = max(varying, key=lambda i: (len(values[i]), -len(missing_numbers(values[i])), i))
    goes_along = len(values[running]) == len(names)
    groups: dict[tuple[str, ...], list[tuple[int, str]]] = defaultdict(list)
    for name, piece in zip(names, pieces, strict=True):
        numbers = piece[1::2]
        rest = tuple(number for i, number in enumerate(numbers) if i != running)
        groups[() if goes_along else rest].append((int(numbers[running]), name))
    stacks = []
    for members in groups.values():
        members.sort(key=lambda member: (member[0], natural_key(member[1])))
        piece = _DIGITS.split(members[0][1])
        piece[2 * running + 1] = "#"
        if goes_along:
            for i in varying:
                piece[2 * i + 1] = "#"
        stacks.append(NumberedStack("".join(piece), tuple(n for _, n in members), tuple(i for i, _ in members)))
    return stacks


def missing_numbers(numbers: Sequence[int]) -> list[int]:
    """Return the numbers that a run of slices leaves out, given in ascending order.

    The usual step need not be 1 (every second slice kept is a whole stack); it is the commonest difference.

    >>> missing_numbers([1, 2, 3, 6, 7])
    [4, 5]
    >>> missing_numbers([0, 5, 10, 20])
    [15]
    """
    steps = [b - a for a, b in pairwise(numbers) if b > a]
    if not steps:
        return []
    usual = min(Counter(steps).items(), key=lambda item: (-item[1], item[0]))[0]
    missing: list[int] = []
    for a, b in pairwise(numbers):
        if len(missing) > 10_000:
            break
        missing.extend(range(a + usual, min(b, a + usual * 10_001), usual))
    return missing
