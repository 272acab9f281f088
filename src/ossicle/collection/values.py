"""Values of findings: whether two are the same, and how one is told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["SAME", "in_words", "same_value"]

SAME = 0.05
"""Relative difference within which two numbers count as the same value. Convention of this program."""


def in_words(value: Any) -> str:
    """Return a value of a finding as it is told in a sentence."""
    if isinstance(value, list | tuple):
        return ", ".join(in_words(v) for v in value) or "nothing"
    if isinstance(value, float):
        return f"{value:.4g}"
    return "nothing" if value is None else str(value)


def same_value(a: Any, b: Any) -> bool:
    """Return whether two values of findings are the same: numbers within 5 %, all else alike."""
    if isinstance(a, bool) or isinstance(b, bool):
        return a is b
    if isinstance(a, int | float) and isinstance(b, int | float):
        return abs(a - b) <= SAME * max(abs(a), abs(b))
    if isinstance(a, list | tuple) and isinstance(b, list | tuple):
        return len(a) == len(b) and all(same_value(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, Mapping) and isinstance(b, Mapping):
        return set(a) == set(b) and all(same_value(a[k], b[k]) for k in a)
    return bool(a == b)
