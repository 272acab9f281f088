"""Loci and tooth names: which place in which row, and which generation stands there.

A locus keeps its number when its neighbours are lost: the premolars of *Homo* are P3 and P4. Names are
accepted in every common spelling (``dP3``, ``DP3``, ``P⁴``, ``P_4``, ``C1``) and written in one: upper case
for the upper jaw, lower case for the lower, a leading ``d`` for deciduous teeth, no number on the canine.
"""

import re
from dataclasses import dataclass, replace
from typing import Final

from ossicle.anatomy.notation import (
    CLASS_LETTERS,
    GENERATIONS,
    JAWS,
    LETTER_CLASSES,
    SIDES,
    TOOTH_CLASSES,
    Generation,
    Jaw,
    Side,
    ToothClass,
    plain_marks,
    shown,
)
from ossicle.errors import OssicleError

__all__ = ["MAX_POSITION", "Locus", "ToothName"]

MAX_POSITION: Final = 99
"""Rows of many like teeth (some armadillos, toothed whales) stay far below this."""

_NAME = re.compile(
    r"(?:(?P<jaw>upper|lower)\s+)?(?:(?P<side>right|left|[RL])\s+)?(?(jaw)|(?:(?P<jaw_after>upper|lower)\s+)?)"
    r"(?P<deciduous>[dD])?(?P<letter>[iI]|[cC]|[pP][mM]?|[mM])\s*(?P<mark>[\^_])?(?P<digits>\d{1,3})?"
)
_SIDE_WORDS: Final[dict[str, Side]] = {"right": "right", "left": "left", "R": "right", "L": "left"}
_JAW_WORDS: Final[dict[str, Jaw]] = {"upper": "upper", "lower": "lower"}
_MEND = "write a name such as P4, dP3, i2 or C"


@dataclass(frozen=True, order=True, slots=True)
class Locus:
    """A place in the tooth row.

    Parameters
    ----------
    jaw
        ``"upper"`` or ``"lower"``.
    side
        The animal's ``"right"`` or ``"left"``; None where a name is meant for both.
    tooth_class
        ``"incisor"``, ``"canine"``, ``"premolar"`` or ``"molar"``.
    position
        Number within the class, counted from the front, 1 to 99; always 1 for the canine.

    Raises
    ------
    OssicleError
        If a field is none of these.
    """

    jaw: Jaw
    side: Side | None
    tooth_class: ToothClass
    position: int

    def __post_init__(self) -> None:
        if self.jaw not in JAWS:
            raise OssicleError(f"no jaw is called {shown(str(self.jaw))}", mend="say upper or lower")
        if self.side is not None and self.side not in SIDES:
            raise OssicleError(f"no side is called {shown(str(self.side))}", mend="say right or left")
        if self.tooth_class not in TOOTH_CLASSES:
            raise OssicleError(
                f"no tooth class is called {shown(str(self.tooth_class))}",
                mend="say incisor, canine, premolar or molar",
            )
        limit = 1 if self.tooth_class == "canine" else MAX_POSITION
        if not 1 <= self.position <= limit:
            raise OssicleError(f"no {self.tooth_class} has position {self.position}", mend=f"count from 1 to {limit}")

    @property
    def letter(self) -> str:
        """The class letter in the case of the jaw: ``"P"`` upper, ``"p"`` lower."""
        letter = CLASS_LETTERS[self.tooth_class]
        return letter if self.jaw == "upper" else letter.lower()

    def __str__(self) -> str:
        return self.letter + ("" if self.tooth_class == "canine" else str(self.position))


@dataclass(frozen=True, order=True, slots=True)
class ToothName:
    """A tooth: its locus and its generation.

    An ``unreplaced`` tooth (one generation only, as often at P1) is written like a permanent one, and a
    parsed name without ``d`` is called permanent: only a dentition knows which loci have a single generation.

    Raises
    ------
    OssicleError
        If the generation is none of the three, or a molar is called deciduous.
    """

    locus: Locus
    generation: Generation = "permanent"

    def __post_init__(self) -> None:
        if self.generation not in GENERATIONS:
            raise OssicleError(
                f"no generation is called {shown(str(self.generation))}",
                mend="say deciduous, permanent or unreplaced",
            )
        if self.generation == "deciduous" and self.locus.tooth_class == "molar":
            raise OssicleError(
                f"molars have no deciduous generation, so d{self.locus} names no tooth",
                mend="deciduous cheek teeth are deciduous premolars, such as dP4",
            )

    @classmethod
    def parse(cls, text: str) -> "ToothName":
        """Read a name such as ``dP3``, ``DP3``, ``dp3``, ``P⁴``, ``m_1``, ``C``, ``Pm4`` or ``upper left
        dP3``.

        The case of the class letter tells the jaw; a superscript tells upper and a subscript lower whatever
        the case; a jaw in words decides for an upper-case letter and must agree with everything else.

        Raises
        ------
        OssicleError
            If the text is not a tooth's name or contradicts itself.
        """
        where = f"tooth name {shown(text)}"
        match = _NAME.fullmatch(plain_marks(text))
        if match is None:
            raise OssicleError("this is not the name of a tooth", where=where, mend=_MEND)
        letter = match["letter"][0]
        tooth_class = LETTER_CLASSES[letter.upper()]
        if match["digits"] is None and tooth_class != "canine":
            raise OssicleError(f"the {tooth_class} has no position", where=where, mend=_MEND)
        jaw = _jaw_of(letter, match["mark"], match["jaw"] or match["jaw_after"], where)
        side = _SIDE_WORDS[match["side"]] if match["side"] else None
        try:
            locus = Locus(jaw, side, tooth_class, int(match["digits"] or 1))
            return cls(locus, "deciduous" if match["deciduous"] else "permanent")
        except OssicleError as error:
            raise OssicleError(error.what, where=where, mend=error.mend) from None

    @property
    def jaw(self) -> Jaw:
        """The locus's jaw."""
        return self.locus.jaw

    @property
    def side(self) -> Side | None:
        """The locus's side, None where the name is meant for both."""
        return self.locus.side

    @property
    def tooth_class(self) -> ToothClass:
        """The locus's class."""
        return self.locus.tooth_class

    @property
    def position(self) -> int:
        """The locus's position."""
        return self.locus.position

    @property
    def deciduous(self) -> bool:
        """Whether this is a deciduous tooth."""
        return self.generation == "deciduous"

    def on(self, side: Side | None) -> "ToothName":
        """Return the same tooth of the given side."""
        return replace(self, locus=replace(self.locus, side=side))

    def in_words(self) -> str:
        """Return the name with jaw and side in words, as ``upper left dP3``."""
        side = "" if self.side is None else f" {self.side}"
        return f"{self.jaw}{side} {self}"

    def __str__(self) -> str:
        return ("d" if self.deciduous else "") + str(self.locus)


def _jaw_of(letter: str, mark: str | None, word: str | None, where: str) -> Jaw:
    """Tell the jaw from a raised or lowered number, else from the letter's case; a word must agree."""
    jaw: Jaw | None = "lower" if letter.islower() else None
    if mark is not None:
        jaw = "upper" if mark == "^" else "lower"
    if word is None:
        return jaw or "upper"
    if jaw not in (None, word):
        raise OssicleError("the name says both upper and lower", where=where, mend=_MEND)
    return _JAW_WORDS[word]
