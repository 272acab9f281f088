"""Definitions of skull measurements as data: identifier, text, unit, source and mark.

The same words have meant different lengths: condylobasal length alone has two definitions. So a value is
always stored with the identifier of the definition it was taken by.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Literal

from ossicle.anatomy.notation import shown
from ossicle.anatomy.templates import Mark
from ossicle.errors import OssicleError

__all__ = ["MeasurementDefinition", "load_measurements", "measurement"]


@dataclass(frozen=True, slots=True)
class MeasurementDefinition:
    """The definition of a measurement.

    Parameters
    ----------
    id
        Stable identifier, such as ``"condylobasal_length"``.
    name
        The words used on pages.
    definition
        The definition in the source's sense.
    unit
        ``"mm"``.
    source, status
        Where the definition was read (``"V"``), or that it is from memory (``"M"``).
    ends
        End points or extremal rule as they are taken here; empty where the definition has not been copied yet.
    marks
        Names of the two landmarks between which it is taken, the foremost, upper or left one first, without their side
        where ``sides`` is ``"paired"``; empty where the definition has not been copied yet.
    plane
        The direction in which the distance counts.
    sides
        Whether each side of the animal has its own.
    """

    id: str
    name: str
    definition: str
    unit: str
    source: str
    status: Mark
    ends: str
    marks: tuple[str, ...]
    plane: str
    sides: Literal["single", "paired"]


@cache
def load_measurements() -> Mapping[str, MeasurementDefinition]:
    """Return all definitions by identifier, in the order of the data."""
    text = (files("ossicle.anatomy.data") / "measurements.toml").read_text(encoding="utf-8")
    return MappingProxyType(
        {
            identifier: MeasurementDefinition(
                identifier,
                row["name"],
                row["definition"],
                row["unit"],
                row["source"],
                row["status"],
                row["ends"],
                tuple(row["marks"]),
                row["plane"],
                row["sides"],
            )
            for identifier, row in tomllib.loads(text).items()
        }
    )


def measurement(id_or_name: str) -> MeasurementDefinition:
    """Return the definition of this identifier or name; case does not matter.

    Raises
    ------
    OssicleError
        If there is no such definition.
    """
    wanted = " ".join(id_or_name.split()).casefold()
    for definition in load_measurements().values():
        if wanted in (definition.id, definition.name.casefold()):
            return definition
    raise OssicleError(
        f"no measurement is called {shown(id_or_name)}", mend="use an identifier of the measurement list"
    )
