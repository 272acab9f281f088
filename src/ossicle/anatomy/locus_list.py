"""Locus lists: the teeth of half a dentition by name, ``I1-3 C P2-4 M1 / i1-3 c p3-4 m1``.

Where a formula counts, a list names: the three upper premolars of *Felis* are P2 P3 P4, the two lower ones p3
p4.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, NoReturn

from ossicle.anatomy.formula import Counts, Formula
from ossicle.anatomy.loci import Locus, ToothName
from ossicle.anatomy.notation import CLASS_LETTERS, JAWS, LETTER_CLASSES, Jaw, plain_marks, shown
from ossicle.errors import OssicleError

__all__ = ["LocusList"]

_MEND: Final = "write it like I1-3 C P2-4 M1 / i1-3 c p3-4 m1"
_NUMBERS = r"\d{1,4}(?:-\d{1,4})?"
_TOKEN = re.compile(
    rf"(?P<deciduous>[dD])?(?P<letter>[iI]|[cC]|[pP][mM]?|[mM])\s*(?P<mark>[\^_])?\s*(?P<numbers>{_NUMBERS})?"
    rf"|(?P<more_mark>[\^_])?(?P<more>{_NUMBERS})"
)
_BETWEEN = re.compile(r"[\s,;+.]*")


@dataclass(frozen=True, slots=True)
class LocusList:
    """The named teeth of one side, upper and lower, from the front of each row to its back.

    Raises
    ------
    OssicleError
        If a tooth is named twice or stands in the other jaw's list.
    """

    upper: tuple[ToothName, ...]
    lower: tuple[ToothName, ...]

    def __post_init__(self) -> None:
        for jaw in JAWS:
            row = self.row(jaw)
            for number, tooth in enumerate(row):
                if tooth.jaw != jaw:
                    raise OssicleError(f"{tooth} is not a tooth of the {jaw} jaw", mend=_MEND)
                if tooth in row[:number]:
                    raise OssicleError(f"{tooth} is named twice", mend="name each tooth once")

    @classmethod
    def of(cls, teeth: Iterable[ToothName]) -> "LocusList":
        """Return the list of these teeth, each jaw's in the order given."""
        found = list(teeth)
        return cls(*(tuple(tooth for tooth in found if tooth.jaw == jaw) for jaw in JAWS))

    @classmethod
    def parse(cls, text: str, *, where: str | None = None) -> "LocusList":
        """Read a list of teeth.

        Ranges (``I1-3``), numbers that go on after a comma (``P2, 4``), deciduous teeth (``dP2-4``), raised
        and lowered numbers (``I¹⁻³``, ``I₁₋₃``) and a canine with or without number are understood. Upper
        case means upper and lower case lower, except that everything after a ``/`` is lower.

        Raises
        ------
        OssicleError
            If the text is no such list.
        """
        where = where or f"list of teeth {shown(text)}"
        halves = plain_marks(text).split("/")
        if len(halves) > 2:
            _refuse("it has more than two rows", where)
        teeth: list[ToothName] = []
        for number, half in enumerate(halves):
            row: Jaw | None = None if len(halves) == 1 else JAWS[number]
            teeth.extend(_read_row(half, row, where))
        if not teeth:
            _refuse("it names no teeth", where)
        try:
            return cls.of(teeth)
        except OssicleError as error:
            raise OssicleError(error.what, where=where, mend=error.mend) from None

    def row(self, jaw: Jaw) -> tuple[ToothName, ...]:
        """Return the teeth of one jaw."""
        return self.upper if jaw == "upper" else self.lower

    def formula(self) -> Formula:
        """Count the list, both sides alike."""
        return Formula.symmetric(_counted(self.upper), _counted(self.lower))

    def __str__(self) -> str:
        return " / ".join(_written_row(row) for row in (self.upper, self.lower)).strip()


def _refuse(what: str, where: str) -> NoReturn:
    raise OssicleError(what, where=where, mend=_MEND)


def _read_row(text: str, row: Jaw | None, where: str) -> list[ToothName]:
    """Read the teeth of one half; ``row`` is its jaw, or None where each name tells its own."""
    teeth: list[ToothName] = []
    head: re.Match[str] | None = None
    at = len(text) - len(text.lstrip())
    while at < len(text):
        token = _TOKEN.match(text, at)
        if token is None or (token["more"] and head is None):
            _refuse(f"{shown(text[at:], 20)} names no tooth", where)
        if token["more_mark"] and head is not None and token["more_mark"] != head["mark"]:
            _refuse(f"{shown(text[at:], 20)} is raised or lowered unlike the numbers before it", where)
        head = token if token["letter"] else head
        assert head is not None
        teeth.extend(_named(head, token["numbers"] or token["more"], row, where))
        gap = _BETWEEN.match(text, token.end())
        at = token.end() if gap is None else gap.end()
    return teeth


def _named(head: re.Match[str], numbers: str | None, row: Jaw | None, where: str) -> list[ToothName]:
    """Return the teeth of one class that ``numbers`` (``3``, ``2-4`` or, for the canine, nothing) names."""
    letter = head["letter"][0]
    tooth_class = LETTER_CLASSES[letter.upper()]
    jaw: Jaw = "lower" if letter.islower() else "upper"
    if head["mark"]:
        jaw = "upper" if head["mark"] == "^" else "lower"
    if row == "upper" and jaw == "lower":
        _refuse(f"{head.group().strip()} is a lower tooth but stands before the stroke", where)
    if row == "lower" and head["mark"] == "^":
        _refuse(f"{head.group().strip()} is an upper tooth but stands behind the stroke", where)
    if numbers is None and tooth_class != "canine":
        _refuse(f"{head.group().strip()} has no number", where)
    first, _, last = (numbers or "1").partition("-")
    if last and int(last) < int(first):
        _refuse(f"the range {numbers} runs backwards", where)
    try:
        return [
            ToothName(
                Locus(row or jaw, None, tooth_class, position),
                "deciduous" if head["deciduous"] else "permanent",
            )
            for position in range(int(first), int(last or first) + 1)
        ]
    except OssicleError as error:
        raise OssicleError(error.what, where=where, mend=error.mend or _MEND) from None


def _counted(row: tuple[ToothName, ...]) -> Counts:
    numbers: dict[str, int] = {}
    for tooth in row:
        letter = ("d" if tooth.deciduous else "") + CLASS_LETTERS[tooth.tooth_class]
        numbers[letter] = numbers.get(letter, 0) + 1
    return Counts(**numbers)


def _written_row(row: tuple[ToothName, ...]) -> str:
    """Write a row with runs of consecutive positions drawn together: ``I1-3 C P2-4``."""
    runs: list[list[ToothName]] = []
    for tooth in row:
        last = runs[-1][-1] if runs else None
        if (
            last is not None
            and (last.tooth_class, last.deciduous) == (tooth.tooth_class, tooth.deciduous)
            and tooth.position == last.position + 1
        ):
            runs[-1].append(tooth)
        else:
            runs.append([tooth])
    return " ".join(str(run[0]) + (f"-{run[-1].position}" if len(run) > 1 else "") for run in runs)
