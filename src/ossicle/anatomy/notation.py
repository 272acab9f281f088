"""The letters, jaws, sides and generations of tooth notation, and the plain spelling of printed marks.

Everything that reads a tooth's name or a dental formula starts here: super- and subscripts, dashes, fraction
strokes and markup of the literature are spelled in plain characters, so that one grammar reads them all.
"""

import re
import unicodedata
from typing import Final, Literal, TypeAlias, get_args

__all__ = [
    "CLASS_LETTERS",
    "GENERATIONS",
    "JAWS",
    "LETTER_CLASSES",
    "SIDES",
    "TOOTH_CLASSES",
    "Generation",
    "Jaw",
    "Side",
    "ToothClass",
    "plain_marks",
    "shown",
]

ToothClass: TypeAlias = Literal["incisor", "canine", "premolar", "molar"]
Jaw: TypeAlias = Literal["upper", "lower"]
Side: TypeAlias = Literal["right", "left"]
Generation: TypeAlias = Literal["deciduous", "permanent", "unreplaced"]

TOOTH_CLASSES: Final[tuple[ToothClass, ...]] = get_args(ToothClass)
"""The classes from the front of the row to its back."""
JAWS: Final[tuple[Jaw, ...]] = get_args(Jaw)
SIDES: Final[tuple[Side, ...]] = get_args(Side)
GENERATIONS: Final[tuple[Generation, ...]] = get_args(Generation)

CLASS_LETTERS: Final[dict[ToothClass, str]] = {"incisor": "I", "canine": "C", "premolar": "P", "molar": "M"}
LETTER_CLASSES: Final[dict[str, ToothClass]] = {letter: name for name, letter in CLASS_LETTERS.items()}

_SUPERSCRIPT = dict(zip("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-", strict=True))
_SUBSCRIPT = dict(zip("₀₁₂₃₄₅₆₇₈₉₋", "0123456789-", strict=True))
_DASHES = "‐‑‒–—−"
_STROKES = "⁄∕÷／"
_DOTS = "·•∙⋅"
_TIMES = "×✕✖*"
_MARKED_RUN = re.compile(f"[{''.join(_SUPERSCRIPT)}]+|[{''.join(_SUBSCRIPT)}]+")
_TAGS = re.compile(r"<(su[pb])>\s*([^<>]{1,9}?)\s*</\1>", re.IGNORECASE)
_BRACED = re.compile(r"([\^_])\{\s*([^{}]{1,9}?)\s*\}")
_SINGLES = str.maketrans(
    dict.fromkeys(_DASHES, "-") | dict.fromkeys(_STROKES, "/") | dict.fromkeys(_DOTS, ".") | dict.fromkeys(_TIMES, "x")
)


def _spelled_run(match: re.Match[str]) -> str:
    run = match.group()
    table, sign = (_SUPERSCRIPT, "^") if run[0] in _SUPERSCRIPT else (_SUBSCRIPT, "_")
    return sign + "".join(table[mark] for mark in run)


def _spelled_tag(match: re.Match[str]) -> str:
    return ("^" if match.group(1).lower() == "sup" else "_") + match.group(2)


def _spelled_fraction(mark: str) -> str:
    parts = unicodedata.decomposition(mark).split()
    if not parts or parts[0] != "<fraction>":
        return mark
    return " " + "".join(chr(int(code, 16)) for code in parts[1:]) + " "


def plain_marks(text: str) -> str:
    """Spell the printed marks of tooth notation in plain characters.

    A superscript becomes ``^3`` and a subscript ``_3`` (also from ``<sup>`` and ``<sub>`` and from ``^{3}``),
    every dash ``-``, every fraction stroke ``/``, a raised dot ``.``, a multiplication sign ``x``; a
    one-character fraction such as ``⅔`` becomes ``2/3``. White space is collapsed.
    """
    text = _MARKED_RUN.sub(_spelled_run, text)
    text = "".join(_spelled_fraction(mark) for mark in text)
    text = text.translate(_SINGLES)
    text = _TAGS.sub(_spelled_tag, text)
    text = _BRACED.sub(r"\1\2", text)
    return " ".join(text.split())


def shown(text: str, limit: int = 70) -> str:
    """Return ``text`` quoted for an error sentence: one line, no control characters, cut at ``limit``."""
    flat = " ".join(text.split())
    cut = flat if len(flat) <= limit else flat[: limit - 1] + "…"
    return repr(cut)
