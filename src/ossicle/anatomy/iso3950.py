"""The two-digit notation of ISO 3950 for human teeth, to and from names by locus.

The first digit is the quadrant: 1 upper right, 2 upper left, 3 lower left, 4 lower right for permanent
teeth, 5 to 8 in the same turn for deciduous ones. The second counts from the midline: 1 I1, 2 I2, 3 C, 4
P3, 5 P4, 6 to 8 M1 to M3; deciduous 1 dI1, 2 dI2, 3 dC, 4 dP3, 5 dP4. Source: ISO 3950:2016, Dentistry,
Designation system for teeth and areas of the oral cavity.
"""

import re
from typing import Final

from ossicle.anatomy.loci import Locus, ToothName
from ossicle.anatomy.notation import Jaw, Side, ToothClass, shown
from ossicle.errors import OssicleError

__all__ = ["from_iso3950", "iso3950_successor", "to_iso3950"]

_QUADRANTS: Final[tuple[tuple[Jaw, Side], ...]] = (
    ("upper", "right"),
    ("upper", "left"),
    ("lower", "left"),
    ("lower", "right"),
)
_PLACES: Final[tuple[tuple[ToothClass, int], ...]] = (
    ("incisor", 1),
    ("incisor", 2),
    ("canine", 1),
    ("premolar", 3),
    ("premolar", 4),
    ("molar", 1),
    ("molar", 2),
    ("molar", 3),
)
_CODE = re.compile(r"([1-4])\.?([1-8])|([5-8])\.?([1-5])", re.ASCII)
_MEND: Final = "permanent teeth are 11 to 18, 21 to 28, 31 to 38, 41 to 48, deciduous ones 51 to 55 and so on to 85"


def from_iso3950(code: str | int) -> ToothName:
    """Return the tooth of a code such as ``"36"`` (left lower M1) or ``75`` (left lower dP4).

    Raises
    ------
    OssicleError
        If the code names no human tooth.
    """
    match = _CODE.fullmatch(str(code).strip())
    if match is None:
        raise OssicleError(f"{shown(str(code))} is no tooth of ISO 3950", mend=_MEND)
    quadrant, place = int(match[1] or match[3]), int(match[2] or match[4])
    jaw, side = _QUADRANTS[(quadrant - 1) % 4]
    tooth_class, position = _PLACES[place - 1]
    return ToothName(Locus(jaw, side, tooth_class, position), "deciduous" if quadrant > 4 else "permanent")


def to_iso3950(tooth: ToothName) -> str:
    """Return the code of a human tooth.

    Raises
    ------
    OssicleError
        If the tooth has no side, or stands at no human locus.
    """
    if tooth.side is None:
        raise OssicleError(f"{tooth} has no side, which ISO 3950 needs", mend="say right or left")
    place = (tooth.tooth_class, tooth.position)
    if place not in _PLACES:
        raise OssicleError(f"{tooth} is no tooth of the human dentition", mend="ISO 3950 names human teeth only")
    quadrant = _QUADRANTS.index((tooth.jaw, tooth.side)) + 1
    digit = _PLACES.index(place) + 1
    return f"{quadrant + 4 if tooth.deciduous else quadrant}{digit}"


def iso3950_successor(code: str | int) -> str:
    """Return the code of the permanent tooth that replaces a deciduous one: ``"35"`` for ``"75"``.

    Raises
    ------
    OssicleError
        If the code names no deciduous tooth.
    """
    tooth = from_iso3950(code)
    if not tooth.deciduous:
        raise OssicleError(f"{shown(str(code))} is a permanent tooth, which nothing replaces", mend="give 51 to 85")
    return to_iso3950(ToothName(tooth.locus, "permanent"))
