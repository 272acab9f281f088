"""Dental formulas: how many teeth of each class stand in each quadrant.

A formula counts teeth; it does not say which loci they hold. `LocusList` (in ``locus_list``) names them. A
formula belongs to a stage of growth: the same genus has one for its deciduous and another for its adult
dentition.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Final, Literal, TypeAlias

from ossicle.anatomy.notation import CLASS_LETTERS, JAWS, SIDES, Generation, Jaw, Side, ToothClass, shown
from ossicle.errors import OssicleError

__all__ = ["MAX_COUNT", "Counts", "Formula", "FormulaStyle"]

MAX_COUNT: Final = 99
"""The most teeth of one class in one quadrant; the many-toothed armadillos have about 25."""

FormulaStyle: TypeAlias = Literal["plain", "total", "bracket", "dotted", "raised"]

_SUPERSCRIPTS = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")
_SUBSCRIPTS = str.maketrans("0123456789", "₀₁₂₃₄₅₆₇₈₉")


@dataclass(frozen=True, slots=True)
class Counts:
    """Teeth of one quadrant by class and generation; ``unreplaced`` teeth count as permanent.

    Raises
    ------
    OssicleError
        If a count is not a whole number from 0 to 99.
    """

    I: int = 0  # noqa: E741 - the trade's letter
    C: int = 0
    P: int = 0
    M: int = 0
    dI: int = 0
    dC: int = 0
    dP: int = 0

    def __post_init__(self) -> None:
        for letter, number in self.as_dict().items():
            if type(number) is not int or not 0 <= number <= MAX_COUNT:
                raise OssicleError(
                    f"{shown(str(number))} is no number of {letter} teeth in one quadrant",
                    mend=f"give a whole number from 0 to {MAX_COUNT}",
                )

    def as_dict(self) -> dict[str, int]:
        """Return all seven counts by letter, in the order I C P M dI dC dP."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @property
    def total(self) -> int:
        """Teeth in this quadrant."""
        return sum(self.as_dict().values())

    @property
    def permanent(self) -> tuple[int, int, int, int]:
        """Permanent and unreplaced incisors, canines, premolars, molars."""
        return (self.I, self.C, self.P, self.M)

    @property
    def deciduous(self) -> tuple[int, int, int]:
        """Deciduous incisors, canines, premolars."""
        return (self.dI, self.dC, self.dP)


@dataclass(frozen=True, slots=True)
class Formula:
    """A dental formula as four quadrants, so that left and right may differ.

    ``Formula.parse`` reads every form named in ``formula_grammar``; ``str`` writes ``I5/4 C1/1 P3/3 M4/4``,
    and ``written`` the other styles. A formula whose sides differ is written ``right I3/3 C1/1 P4/4 M2/3;
    left I3/3 C1/1 P3/4 M2/3``, which reads back.
    """

    upper_right: Counts
    upper_left: Counts
    lower_left: Counts
    lower_right: Counts

    @classmethod
    def symmetric(cls, upper: Counts, lower: Counts) -> "Formula":
        """Return the formula of an animal alike on both sides."""
        return cls(upper, upper, lower, lower)

    @classmethod
    def from_quadrants(cls, quadrants: Mapping[str, Mapping[str, int]]) -> "Formula":
        """Return the formula of counted quadrants.

        Parameters
        ----------
        quadrants
            ``{"upper_left": {"I": 5, "C": 1, "P": 3, "M": 3}, ...}`` as in an account; letters I C P M dI dC
            dP. A quadrant or letter left out holds no teeth.

        Raises
        ------
        OssicleError
            If a quadrant, letter or count is unknown.
        """
        names = [field.name for field in fields(cls)]
        letters = [field.name for field in fields(Counts)]
        for name, counts in quadrants.items():
            if name not in names:
                raise OssicleError(f"no quadrant is called {shown(str(name))}", mend=f"use {', '.join(names)}")
            for letter in counts:
                if letter not in letters:
                    raise OssicleError(
                        f"no class of teeth is called {shown(str(letter))}",
                        where=name,
                        mend=f"use {', '.join(letters)}",
                    )
        return cls(**{name: Counts(**quadrants.get(name, {})) for name in names})

    @classmethod
    def parse(cls, text: str) -> "Formula":
        """Read a formula in any form of the literature; see ``formula_grammar``.

        Raises
        ------
        OssicleError
            If the text is no formula, or its stated total is not the one its counts give.
        """
        from ossicle.anatomy.formula_grammar import parse_formula

        return parse_formula(text)

    def quadrant(self, jaw: Jaw, side: Side) -> Counts:
        """Return the counts of one quadrant."""
        counts: Counts = getattr(self, f"{jaw}_{side}")
        return counts

    def quadrants(self) -> dict[str, dict[str, int]]:
        """Return the counts as in an account: I C P M always, deciduous letters where there are any."""
        return {
            f"{jaw}_{side}": {
                letter: number
                for letter, number in self.quadrant(jaw, side).as_dict().items()
                if number or not letter.startswith("d")
            }
            for jaw in JAWS
            for side in SIDES
        }

    def count(
        self, jaw: Jaw, tooth_class: ToothClass, side: Side = "right", generation: Generation = "permanent"
    ) -> int:
        """Return the number of teeth of one class and generation in one quadrant."""
        letter = CLASS_LETTERS[tooth_class]
        if generation == "deciduous":
            letter = "d" + letter
        return self.quadrant(jaw, side).as_dict().get(letter, 0)

    @property
    def total(self) -> int:
        """All teeth, both sides and jaws."""
        return sum(self.quadrant(jaw, side).total for jaw in JAWS for side in SIDES)

    @property
    def is_symmetric(self) -> bool:
        """Whether left and right have the same counts."""
        return self.upper_right == self.upper_left and self.lower_right == self.lower_left

    @property
    def has_deciduous(self) -> bool:
        """Whether any deciduous tooth is counted."""
        return any(any(self.quadrant(jaw, side).deciduous) for jaw in JAWS for side in SIDES)

    def half(self, side: Side) -> "Formula":
        """Return the symmetric formula that has this side's counts on both sides."""
        return Formula.symmetric(self.quadrant("upper", side), self.quadrant("lower", side))

    def written(self, style: FormulaStyle = "plain") -> str:
        """Write the formula.

        Parameters
        ----------
        style
            ``"plain"`` ``I5/4 C1/1 P3/3 M4/4``; ``"total"`` the same and ``= 50``;
            ``"bracket"`` ``2(I5/4 C1/1 P3/3 M4/4) = 50``; ``"dotted"`` ``5.1.3.4/4.1.3.4``;
            ``"raised"`` ``I⁵₄ C¹₁ P³₃ M⁴₄``.
            A formula whose sides differ has no bracketed form and takes ``"total"`` in its place.

        Raises
        ------
        OssicleError
            If the formula is to be dotted but counts both generations, whose numbers would be mixed up.
        """
        if not self.is_symmetric:
            inner: FormulaStyle = "plain" if style in ("total", "bracket") else style
            sides = "; ".join(f"{side} {self.half(side).written(inner)}" for side in SIDES)
            return sides if inner == style else f"{sides} = {self.total}"
        if style == "dotted":
            return self._dotted()
        items = " ".join(self._items(raised=style == "raised"))
        if style == "total":
            return f"{items} = {self.total}"
        if style == "bracket":
            return f"2({items}) = {self.total}"
        return items

    def _items(self, *, raised: bool) -> list[str]:
        """Return ``I5/4`` and so on; deciduous letters first, and then only the permanent ones that occur."""
        upper, lower = self.upper_right.as_dict(), self.lower_right.as_dict()
        permanent = [letter for letter in upper if not letter.startswith("d")]
        letters = permanent
        if self.has_deciduous:
            letters = [letter for letter in upper if letter.startswith("d")]
            letters += [letter for letter in permanent if upper[letter] or lower[letter]]
        if raised:
            return [
                letter + str(upper[letter]).translate(_SUPERSCRIPTS) + str(lower[letter]).translate(_SUBSCRIPTS)
                for letter in letters
            ]
        return [f"{letter}{upper[letter]}/{lower[letter]}" for letter in letters]

    def _dotted(self) -> str:
        upper, lower = self.upper_right, self.lower_right
        if not self.has_deciduous:
            rows = (upper.permanent, lower.permanent)
        elif not any(upper.permanent + lower.permanent):
            return "d" + "/".join(".".join(map(str, counts.deciduous)) for counts in (upper, lower))
        else:
            raise OssicleError(
                f"the formula {self} counts deciduous and permanent teeth, which dots cannot tell apart",
                mend="write it with letters",
            )
        return "/".join(".".join(map(str, row)) for row in rows)

    def __str__(self) -> str:
        return self.written()
