"""Dentitions of living mammals: which loci each jaw holds and which are replaced, with a source per row.

The rows are the TOML files of ``data/dentitions``; ``data/dentitions/README.md`` explains their fields.
"""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

from ossicle.anatomy.dentition_rows import build_dentition
from ossicle.anatomy.notation import shown
from ossicle.anatomy.templates import Dentition
from ossicle.errors import OssicleError

__all__ = ["dentition", "dentition_names", "load_dentitions"]


@cache
def _rows() -> Mapping[str, Any]:
    """The rows of data by name, in alphabetical order; none is built or checked yet."""
    found: dict[str, Any] = {}
    folder = files("ossicle.anatomy.data") / "dentitions"
    for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if not file.name.endswith(".toml"):
            continue
        for name, row in tomllib.loads(file.read_text(encoding="utf-8")).items():
            if name in found:
                raise OssicleError(f"{name} stands in two files of dentitions", where=file.name)
            found[name] = row
    return dict(sorted(found.items()))


@cache
def _built(name: str) -> Dentition:
    return build_dentition(name, _rows()[name])


@cache
def load_dentitions() -> Mapping[str, Dentition]:
    """Return all dentitions by name, in alphabetical order.

    Raises
    ------
    OssicleError
        If a row of the packaged data contradicts itself; the tests read every row.
    """
    return MappingProxyType({name: _built(name) for name in _rows()})


def dentition_names() -> tuple[str, ...]:
    """Return the names of all dentitions, in alphabetical order."""
    return tuple(_rows())


def dentition(name: str) -> Dentition:
    """Return the dentition of this name; upper and lower case do not matter.

    Raises
    ------
    OssicleError
        If no dentition has this name, or its row contradicts itself.
    """
    for key in _rows():
        if key.casefold() == name.strip().casefold():
            return _built(key)
    raise OssicleError(f"no dentition is called {shown(name)}", mend="use a genus of the dentition list, or auto")
