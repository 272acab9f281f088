"""Dentitions of living mammals: which loci each jaw holds and which are replaced, with a source per row.

The rows are the TOML files of ``data/dentitions``; ``data/dentitions/README.md`` explains their fields.
"""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType

from ossicle.anatomy.dentition_rows import build_dentition
from ossicle.anatomy.notation import shown
from ossicle.anatomy.templates import Dentition
from ossicle.errors import OssicleError

__all__ = ["dentition", "load_dentitions"]


@cache
def load_dentitions() -> Mapping[str, Dentition]:
    """Return all dentitions by name, in alphabetical order.

    Raises
    ------
    OssicleError
        If a row of the packaged data contradicts itself; the tests read every row.
    """
    found: dict[str, Dentition] = {}
    folder = files("ossicle.anatomy.data") / "dentitions"
    for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if not file.name.endswith(".toml"):
            continue
        for name, row in tomllib.loads(file.read_text(encoding="utf-8")).items():
            if name in found:
                raise OssicleError(f"{name} stands in two files of dentitions", where=file.name)
            found[name] = build_dentition(name, row)
    return MappingProxyType(dict(sorted(found.items())))


def dentition(name: str) -> Dentition:
    """Return the dentition of this name; upper and lower case do not matter.

    Raises
    ------
    OssicleError
        If no dentition has this name.
    """
    known = load_dentitions()
    for key in known:
        if key.casefold() == name.strip().casefold():
            return known[key]
    raise OssicleError(f"no dentition is called {shown(name)}", mend="use a genus of the dentition list, or auto")
