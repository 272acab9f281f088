"""The wording of an account: numbers with units, lists, runs of loci."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence

from ossicle.reading.records import Jaw, Side, ToothRecord

__all__ = [
    "JAWS",
    "QUADRANTS",
    "UNCERTAIN_BELOW",
    "arc_order",
    "area",
    "counted",
    "join",
    "length",
    "loci",
    "name_of",
    "number",
    "percent",
    "quadrant_key",
    "row_name",
    "sure",
    "tied",
    "volume",
]

JAWS: tuple[Jaw, Jaw] = ("upper", "lower")
QUADRANTS: tuple[tuple[Jaw, Side], ...] = (
    ("upper", "right"),
    ("upper", "left"),
    ("lower", "right"),
    ("lower", "left"),
)
UNCERTAIN_BELOW = 0.7
"""A confidence below this is said in words. Common practice, no source."""

_CLASS_ORDER = {"incisor": 0, "canine": 1, "premolar": 2, "molar": 3}
_ONES = [
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
]
_UNIT = re.compile(r"(\d) (?=(?:mm|µm|MB|s|%)(?:\W|$))")
_NAME = re.compile(r"^([A-Za-z]+)(\d+)$")


def quadrant_key(jaw: str, side: str) -> str:
    """Return the key of a quadrant, ``upper_left``."""
    return f"{jaw}_{side}"


def row_name(jaw: str, side: str) -> str:
    """Return how a describer names a row: ``left upper row``."""
    return f"{side} {jaw} row"


def join(items: Iterable[str], last: str = "and") -> str:
    """Join into a list as one says it: ``a, b and c``."""
    words = list(items)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def counted(count: int, noun: str, plural: str | None = None) -> str:
    """Return a count with its noun: ``three teeth``, ``27 teeth``."""
    word = _ONES[count] if 0 <= count < len(_ONES) else str(count)
    return f"{word} {noun if count == 1 else plural or noun + 's'}"


def number(value: float, digits: int = 3) -> str:
    """Return a number to so many significant digits, without exponent."""
    if not math.isfinite(value):
        return "not known"
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(places, 6)}f}"


def length(mm: float) -> str:
    """Return a length with its unit, in micrometres below a tenth of a millimetre."""
    if math.isfinite(mm) and 0 < abs(mm) < 0.1:
        return f"{number(mm * 1000)} µm"
    return f"{number(mm)} mm" if math.isfinite(mm) else "not known"


def volume(mm3: float) -> str:
    """Return a volume with its unit."""
    return f"{number(mm3)} mm³" if math.isfinite(mm3) else "not known"


def area(mm2: float) -> str:
    """Return an area with its unit."""
    return f"{number(mm2)} mm²" if math.isfinite(mm2) else "not known"


def percent(fraction: float) -> str:
    """Return a share as whole per cent."""
    return f"{round(100 * fraction)} %"


def sure(confidence: float) -> str:
    """Return a confidence in words."""
    for floor, word in (
        (0.95, "sure"),
        (0.85, "nearly sure"),
        (UNCERTAIN_BELOW, "probable"),
        (0.5, "uncertain"),
    ):
        if confidence >= floor:
            return word
    return "very uncertain"


def tied(text: str) -> str:
    """Tie numbers to their units with no-break spaces, so that no line ends between them."""
    return _UNIT.sub("\\1\u00a0", text)


def arc_order(tooth: ToothRecord) -> tuple[int, int, str]:
    """Sort key of teeth from the midline backwards."""
    return (_CLASS_ORDER[tooth.tooth_class], tooth.position, tooth.generation)


def name_of(tooth: ToothRecord) -> str:
    """Return the tooth's name, marked ``?`` where the naming is uncertain, as in open nomenclature."""
    return f"{tooth.name}?" if tooth.confidence < UNCERTAIN_BELOW else tooth.name


def loci(teeth: Sequence[ToothRecord]) -> str:
    """Return names as a describer lists them, runs of three and more shortened:
    ``I1–I3, C, dP2–dP4 and M1``."""
    groups: list[list[str]] = []
    for name in (name_of(t) for t in sorted(teeth, key=arc_order)):
        if groups and _follows(groups[-1][-1], name):
            groups[-1].append(name)
        else:
            groups.append([name])
    words: list[str] = []
    for group in groups:
        words.extend([f"{group[0]}–{group[-1]}"] if len(group) > 2 else group)
    return join(words)


def _follows(before: str, after: str) -> bool:
    first, second = _NAME.match(before), _NAME.match(after)
    if first is None or second is None or first[1] != second[1]:
        return False
    return int(second[2]) == int(first[2]) + 1
