"""The grammar of dental formulas: every printed form to one `Formula`.

Forms that count (upper/lower in each):

- by letters: ``I5/4 C1/1 P3/3 M4/4``, with commas or semicolons, letters in either case, ``Pm``, ``dI`` and
  ``di`` and so on for deciduous teeth, raised and lowered numbers (``I³₃``), one-character fractions;
- both sides spelled out, as in the nineteenth century: ``I 3-3/3-3, C 1-1/1-1`` (right-left);
- by place: ``5.1.3.4/4.1.3.4`` in the order I C P M (deciduous ``d3.1.3/3.1.3`` in the order I C P), also
  with hyphens or spaces; ``2.1.2.3`` alone means both jaws alike;
- by place with strokes: ``5/4, 1/1, 3/3, 4/4``;
- sides that differ: ``right I3/3 C1/1 P4/4 M2/3; left I3/3 C1/1 P3/4 M2/3``.

A form may stand in brackets, be multiplied by two (``2(...)``, ``... x 2``) and state totals: ``= 42``,
``= 21 x 2 = 42``. A stated total that differs from the counted one is refused. Text that names teeth of both
jaws instead of counting them (``I1-3 C P2-4 M1 / i1-3 c p3-4 m1``) is counted as it stands.
"""

import re
from collections.abc import Iterator
from typing import Final, NoReturn

from ossicle.anatomy.formula import Counts, Formula
from ossicle.anatomy.locus_list import LocusList
from ossicle.anatomy.notation import plain_marks, shown
from ossicle.errors import OssicleError

__all__ = ["parse_formula"]

_MEND: Final = "write it like I3/3 C1/1 P4/4 M2/3 = 42 or 3.1.4.2/3.1.4.3"
_PREFIX = re.compile(r"dental formulae?\s*[:=]?\s*|dentition\s*[:=]?\s*", re.IGNORECASE)
_LONGEST: Final = 400
"""Longer text is no formula; the limit also keeps hostile text from holding up the search for patterns."""
_PAIRS: Final = {"(": ")", "[": "]", "{": "}"}

_NUMBER = r"\d{1,4}"
_UPPER_LOWER = (
    rf"(?P<upper>{_NUMBER})(?:-(?P<upper_left>{_NUMBER}))?\s*/\s*"
    rf"(?P<lower>{_NUMBER})(?:-(?P<lower_left>{_NUMBER}))?(?![\d-])"
)
_LETTERS = r"(?P<d_before>[dD])?(?P<letter>[iIcCmM]|[pP][mM]?)(?P<d_after>d)?\.?"
_ITEM = re.compile(rf"(?:{_LETTERS}\s*)?{_UPPER_LOWER}")
_BETWEEN = re.compile(r"[\s,;+.]*")
_RAISED = re.compile(rf"\^({_NUMBER})\s*/?\s*_({_NUMBER})|_({_NUMBER})\s*/?\s*\^({_NUMBER})")
_PLACES = re.compile(rf"(?P<d>[dD]\s*)?(?P<numbers>{_NUMBER}(?P<gap>\s?[.:-]\s?|\s){_NUMBER}(?:(?P=gap){_NUMBER})*)")
_TWICE = re.compile(r"2\s*x?\s*(?P<before>[(\[{].+[)\]}])|(?P<after>.+?)\s*x\s*2")
_TOTAL = re.compile(r"(?P<number>\d{1,4})(?P<twice>\s*x\s*2)?(?:\s*teeth)?\.?")
_BEFORE_TOTAL = re.compile(r"[\s,;:]*\b(?:total|sum)$", re.IGNORECASE)
_SIDES = re.compile(r"right\s*:?\s*(?P<right>.+?)\s*[;,]?\s+left\s*:?\s*(?P<left>.+)", re.IGNORECASE)


def parse_formula(text: str) -> Formula:
    """Read a dental formula; the module's text lists the forms.

    Raises
    ------
    OssicleError
        If the text is no formula, or a stated total is not the counted one.
    """
    where = f"dental formula {shown(text)}"
    if len(text) > _LONGEST:
        _refuse(f"it is {len(text)} characters long", where)
    plain = _PREFIX.sub("", plain_marks(text), count=1).strip()
    body, *stated = (piece.strip() for piece in plain.split("="))
    body = _BEFORE_TOTAL.sub("", body)
    twice = _TWICE.fullmatch(body)
    if twice is not None:
        body = twice["before"] or twice["after"]
    body = _without_brackets(body, where).strip().rstrip(".,;").strip()
    if not body:
        _refuse("it holds no counts", where)
    sides = _SIDES.fullmatch(body)
    formula = _one_side(body, where) if sides is None else _two_sides(sides["right"], sides["left"], where)
    for piece in stated:
        _check_total(formula, piece, where)
    return formula


def _refuse(what: str, where: str, mend: str = _MEND) -> NoReturn:
    raise OssicleError(what, where=where, mend=mend)


def _without_brackets(body: str, where: str) -> str:
    """Return ``body`` with its brackets blanked out, refusing any that do not pair."""
    open_brackets: list[str] = []
    for mark in body:
        if mark in _PAIRS:
            open_brackets.append(_PAIRS[mark])
        elif mark in _PAIRS.values() and (not open_brackets or open_brackets.pop() != mark):
            _refuse(f"the bracket {mark} closes nothing", where)
    if open_brackets:
        _refuse(f"a bracket is not closed by {open_brackets[-1]}", where)
    return re.sub(r"[()\[\]{}]", " ", body)


def _two_sides(right_text: str, left_text: str, where: str) -> Formula:
    right, left = (_one_side(text, where) for text in (right_text, left_text))
    return Formula(right.upper_right, left.upper_left, left.lower_left, right.lower_right)


def _one_side(body: str, where: str) -> Formula:
    """Read a formula without brackets, totals and sides in words."""
    by_place = _by_place(body, where)
    if by_place is not None:
        return by_place
    body = _RAISED.sub(lambda m: f"{m[1] or m[4]}/{m[2] or m[3]} ", body)
    if _ITEM.match(body) is None:
        named = LocusList.parse(body, where=where)
        if not (named.upper and named.lower):
            _refuse("it neither counts upper and lower teeth nor names teeth of both jaws", where)
        return named.formula()
    return _by_items(body, where)


def _by_place(body: str, where: str) -> Formula | None:
    """Read ``5.1.3.4/4.1.3.4`` and its kin; None if the text is of another form."""
    rows = [_PLACES.fullmatch(piece.strip()) for piece in body.split("/")]
    found = [row for row in rows if row is not None]
    if not found or len(found) < len(rows):
        return None
    if len(found) > 2:
        _refuse("it has more than two rows", where)
    deciduous = found[0]["d"] is not None
    if found[-1]["d"] is not None and not deciduous:
        _refuse("the lower row is deciduous and the upper is not", where)
    letters = ("dI", "dC", "dP") if deciduous else ("I", "C", "P", "M")
    jaws: list[Counts] = []
    for row in found:
        numbers = row["numbers"].split(row["gap"])
        if len(numbers) != len(letters):
            expected = "incisors, canines, premolars" + ("" if deciduous else ", molars")
            _refuse(f"a row has {len(numbers)} numbers where {len(letters)} stand for {expected}", where)
        jaws.append(_counts(dict(zip(letters, map(int, numbers), strict=True)), where))
    return Formula.symmetric(jaws[0], jaws[-1])


def _items(body: str, where: str) -> Iterator[re.Match[str]]:
    """Walk through ``I5/4, C1/1 ...``; anything left between two items is refused."""
    at = 0
    while at < len(body):
        item = _ITEM.match(body, at)
        if item is None:
            _refuse(f"{shown(body[at:], 20)} is no count of upper and lower teeth", where)
        yield item
        gap = _BETWEEN.match(body, item.end())
        at = item.end() if gap is None else gap.end()


def _by_items(body: str, where: str) -> Formula:
    """Read counts by letter, or by place with strokes where no letter stands."""
    items = list(_items(body, where))
    lettered = sum(item["letter"] is not None for item in items)
    if lettered not in (0, len(items)):
        _refuse("some counts have a letter and some have none", where)
    if not lettered and len(items) != 4:
        _refuse(f"counts without letters must be the four of I C P M, not {len(items)}", where)
    upper: dict[str, int] = {}
    lower: dict[str, int] = {}
    for letter, item in zip((_letter_of(item, place) for place, item in enumerate(items)), items, strict=True):
        if letter in upper:
            _refuse(f"{letter} is counted twice", where)
        _check_sides(item, where)
        upper[letter], lower[letter] = int(item["upper"]), int(item["lower"])
    return Formula.symmetric(_counts(upper, where), _counts(lower, where))


def _counts(numbers: dict[str, int], where: str) -> Counts:
    try:
        return Counts(**numbers)
    except OssicleError as error:
        raise OssicleError(error.what, where=where, mend=error.mend) from None


def _check_sides(item: re.Match[str], where: str) -> None:
    """Let ``3-3/3-3`` pass, both sides spelled out, but not a range of counts such as ``3/2-3``."""
    left = (item["upper_left"], item["lower_left"])
    if left not in ((None, None), (item["upper"], item["lower"])):
        _refuse(
            f"{item.group().strip()} gives a range or sides that differ",
            where,
            "give one number of each, or write 'right ...; left ...'",
        )


def _letter_of(item: re.Match[str], place: int) -> str:
    """Return the letter I C P M dI dC dP of an item; deciduous molars are deciduous premolars."""
    if item["letter"] is None:
        return "ICPM"[place]
    letter = item["letter"][0].upper()
    if item["d_before"] or item["d_after"]:
        return "d" + ("P" if letter == "M" else letter)
    return letter


def _check_total(formula: Formula, stated: str, where: str) -> None:
    """Compare a stated total with the counted one; ``21 x 2`` states one side."""
    match = _TOTAL.fullmatch(stated)
    if match is None:
        _refuse(f"{shown(stated, 20)} is no total", where)
    number = int(match["number"])
    counted = formula.total
    if match["twice"]:
        if number * 2 == counted:
            return
        _refuse(f"it states {number} x 2 teeth but counts {counted}", where, "correct the counts or the total")
    if number == counted:
        return
    hint = " (the number of one side)" if formula.is_symmetric and number * 2 == counted else ""
    _refuse(f"it states {number} teeth{hint} but counts {counted}", where, "correct the counts or the total")
