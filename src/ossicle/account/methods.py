"""The methods that findings name, with their texts and sources."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

__all__ = ["Method", "methods", "methods_used"]


@dataclass(frozen=True)
class Method:
    """How a finding is made, in words, and where that comes from."""

    title: str
    text: str
    source: str


@lru_cache(maxsize=1)
def methods() -> dict[str, Method]:
    """Return all methods by id."""
    data = tomllib.loads(files("ossicle.account").joinpath("methods.toml").read_text(encoding="utf-8"))
    return {key: Method(**entry) for key, entry in data.items()}


def methods_used(keys: Iterable[str]) -> dict[str, Method]:
    """Return the methods of these ids, each once, in order; those that this version does not know are left out.

    An account made by another version may name some.
    """
    known = methods()
    return {key: known[key] for key in dict.fromkeys(keys) if key in known}
