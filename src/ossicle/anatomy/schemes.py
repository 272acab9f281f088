"""Naming schemes of cheek teeth: translation between the names used here and those of other authors.

One tooth has had several names: the last premolar of an opossum is P3 here and P4 in Thomas 1888. The
schemes are data (``data/schemes.toml``); `counted_scheme` makes the one that numbers what is left from the
front.
"""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Final

from ossicle.anatomy.loci import ToothName
from ossicle.anatomy.notation import CLASS_LETTERS, JAWS, Jaw, ToothClass, plain_marks, shown
from ossicle.anatomy.templates import Dentition, Mark
from ossicle.errors import OssicleError

__all__ = ["NamingScheme", "counted_scheme", "load_schemes", "scheme"]

_LABEL = re.compile(r"(?P<d>[dD])?(?P<letter>[iIcCpPmM])[mM]?\s*[\^_]?(?P<digits>\d{1,2})?")


@dataclass(frozen=True, slots=True)
class NamingScheme:
    """Another author's names.

    Parameters
    ----------
    name
        Author and year, or the practice.
    applies_to
        A clade or a dentition's name.
    upper, lower
        For each jaw, current name to the scheme's name, written as for the upper jaw; names not in it are
        shared.
    status, source, notes
        As of `Dentition`.
    """

    name: str
    applies_to: str
    upper: Mapping[str, str]
    lower: Mapping[str, str]
    status: Mark
    source: str
    notes: str = ""

    def to_scheme(self, tooth: ToothName) -> str:
        """Return the scheme's name of a tooth, with the case of its jaw.

        Raises
        ------
        OssicleError
            If the scheme uses the tooth's own name for another tooth and has none for this one.
        """
        table = self._table(tooth.jaw)
        label = _upper_label(str(tooth))
        if label not in table and label in table.values():
            raise OssicleError(f"{self.name} has no name for {tooth}", mend="use the current name")
        return _in_jaw(table.get(label, label), tooth.jaw)

    def from_scheme(self, text: str) -> ToothName:
        """Return the tooth that a name of the scheme stands for.

        Raises
        ------
        OssicleError
            If the text is no tooth's name, or no name of the scheme.
        """
        match = _LABEL.fullmatch(plain_marks(text))
        if match is None:
            raise OssicleError(
                "this is not the name of a tooth",
                where=f"tooth name {shown(text)}",
                mend="write a name such as P4",
            )
        jaw: Jaw = "lower" if match["letter"].islower() else "upper"
        table = self._table(jaw)
        label = ("d" if match["d"] else "") + match["letter"].upper() + (match["digits"] or "")
        back = {there: here for here, there in table.items()}
        if label not in back and label in table:
            raise OssicleError(f"{self.name} does not use the name {shown(text)}", mend="check the scheme")
        return ToothName.parse(_in_jaw(back.get(label, label), jaw))

    def _table(self, jaw: Jaw) -> Mapping[str, str]:
        return self.upper if jaw == "upper" else self.lower


def _upper_label(name: str) -> str:
    return "d" + name[1:].upper() if name.startswith("d") else name.upper()


def _in_jaw(label: str, jaw: Jaw) -> str:
    return label if jaw == "upper" else label.lower()


@cache
def load_schemes() -> Mapping[str, NamingScheme]:
    """Return the naming schemes by name."""
    text = (files("ossicle.anatomy.data") / "schemes.toml").read_text(encoding="utf-8")
    found: dict[str, NamingScheme] = {}
    for name, row in tomllib.loads(text).items():
        pairs = MappingProxyType(dict(row["pairs"]))
        found[name] = NamingScheme(
            name, row["applies_to"], pairs, pairs, row["status"], row["source"], row.get("notes", "")
        )
    return MappingProxyType(found)


def scheme(name: str) -> NamingScheme:
    """Return the naming scheme of this name; case does not matter.

    Raises
    ------
    OssicleError
        If there is no such scheme.
    """
    for key, found in load_schemes().items():
        if key.casefold() == name.strip().casefold():
            return found
    raise OssicleError(f"no naming scheme is called {shown(name)}", mend=f"use one of {', '.join(load_schemes())}")


_COUNTED: Final[tuple[ToothClass, ...]] = ("incisor", "premolar")


def counted_scheme(dentition: Dentition) -> NamingScheme:
    """Return the scheme that numbers the incisors and premolars left in each jaw from the front.

    Older descriptions call the premolars of *Felis* P1 P2 P3 above and p1 p2 below, which are P2 P3 P4 and
    p3 p4.
    """
    tables: dict[Jaw, dict[str, str]] = {}
    for jaw in JAWS:
        table: dict[str, str] = {}
        for tooth_class in _COUNTED:
            left = [tooth for tooth in dentition.loci(jaw) if tooth.tooth_class == tooth_class]
            letter = CLASS_LETTERS[tooth_class]
            for number, tooth in enumerate(left, start=1):
                table[f"{letter}{tooth.position}"] = f"{letter}{number}"
                if tooth.replaced:
                    table[f"d{letter}{tooth.position}"] = f"d{letter}{number}"
        tables[jaw] = table
    return NamingScheme(
        name=f"counted from the front ({dentition.name})",
        applies_to=dentition.name,
        upper=MappingProxyType(tables["upper"]),
        lower=MappingProxyType(tables["lower"]),
        status=dentition.loci_status,
        source=dentition.source,
    )
