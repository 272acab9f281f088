"""The methods that findings name, with their texts and sources."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

__all__ = ["Method", "methods"]


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
