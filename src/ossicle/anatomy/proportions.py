"""Expected sizes along the row: the inhibitory cascade of the molars, and weak priors for the other teeth."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from ossicle.anatomy.loci import ToothName
from ossicle.anatomy.notation import CLASS_LETTERS
from ossicle.anatomy.templates import Clade
from ossicle.errors import OssicleError

__all__ = ["SizePrior", "cascade_share", "cascade_third_molar", "size_prior"]


def cascade_third_molar(first: float, second: float) -> float:
    """Return the size of the third molar that the inhibitory cascade predicts, in the unit of the other two.

    m3/m1 = 2 m2/m1 - 1, so that m2 is a third of the three together (Kavanagh, Evans & Jernvall 2007,
    Nature 449:427; Halliday & Goswami 2013). The model speaks of areas of lower molars. Where it predicts
    none (m2 less than half of m1) the result is 0.

    Raises
    ------
    OssicleError
        If a size is not positive.
    """
    _positive(first, second)
    return max(0.0, 2.0 * second - first)


def cascade_share(first: float, second: float, third: float) -> float:
    """Return the share of the second molar in the three; the inhibitory cascade predicts a third.

    Raises
    ------
    OssicleError
        If the first or second size is not positive, or the third is negative.
    """
    _positive(first, second)
    if third < 0:
        raise OssicleError(f"a molar cannot be {third} large", mend="give sizes of one unit, 0 for a lost third")
    return second / (first + second + third)


def _positive(first: float, second: float) -> None:
    for size in (first, second):
        if not size > 0:
            raise OssicleError(f"a molar cannot be {size} large", mend="give sizes greater than zero")


@dataclass(frozen=True, slots=True)
class SizePrior:
    """Expected crown length as a ratio to M1 of the same jaw, and the standard deviation of its logarithm."""

    ratio: float
    log_sd: float
    source: str


@cache
def _tables() -> Mapping[str, Mapping[str, Any]]:
    text = (files("ossicle.anatomy.data") / "proportions.toml").read_text(encoding="utf-8")
    return MappingProxyType(tomllib.loads(text))


def size_prior(tooth: ToothName, clade: Clade) -> SizePrior | None:
    """Return the weak prior of a tooth's crown length; None where the tables hold none.

    Premolars are taken by their position, so that a placental P4 is the large last one even where P1 is
    lost. A position behind the last of a table takes the last one's value.
    """
    table = _tables().get(clade)
    letter = ("d" if tooth.deciduous else "") + CLASS_LETTERS[tooth.tooth_class]
    if table is None or letter not in table:
        return None
    ratios = table[letter]["ratio"]
    ratio = ratios[min(tooth.position, len(ratios)) - 1]
    return SizePrior(float(ratio), float(table[letter]["sd"]), str(table["source"]))
