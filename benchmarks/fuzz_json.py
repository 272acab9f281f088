"""JSON changed at random so that it stays JSON: what is no JSON is refused before anything of it is read."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from copy import deepcopy
from typing import Any

__all__ = ["altered", "holds_json", "mutator", "parsed"]

PARTED = b"\n---\n"
"""What parts two texts in one input (`fuzz_targets`)."""
ODD: tuple[Any, ...] = (
    None, True, False, -1, 0, 1, 2, 0.5, -0.0, 1e308, float("nan"), float("inf"), 10**20, -(2**63), "", " ", "\ud800",
    "../x", "a/b", "\x00", "NaN", "1e999", "upper", "tooth/", [], {}, [[]], [None], [0, 0, 0], {"": None}, "x" * 300,
)  # fmt: skip


def _places(tree: Any) -> list[tuple[Any, Any]]:
    """Return every place in a tree as what holds it and its key or index."""
    out: list[tuple[Any, Any]] = []
    ahead = [tree]
    while ahead:
        held = ahead.pop()
        keys = list(held) if isinstance(held, dict) else range(len(held)) if isinstance(held, list) else ()
        for key in keys:
            out.append((held, key))
            ahead.append(held[key])
    return out


def altered(tree: Any, rng: random.Random) -> Any:
    """Change one place of a tree: another value, one from elsewhere in it, gone, twice, or under another name."""
    places = _places(tree)
    if not places or rng.random() < 0.02:
        return deepcopy(rng.choice(ODD))
    held, key = rng.choice(places)
    match rng.randrange(6):
        case 0 | 1:
            held[key] = deepcopy(rng.choice(ODD))
        case 2:
            other, there = rng.choice(places)
            held[key] = deepcopy(other[there])
        case 3:
            del held[key]
        case 4 if isinstance(held, list):
            held.insert(key, deepcopy(held[key]))
        case _ if isinstance(held, dict):
            held[rng.choice(("", "kind", "at", "part", "x" * 40, str(key) + "_", str(key)[:-1]))] = held.pop(key)
        case _:
            held[key] = deepcopy(rng.choice(ODD))
    return tree


def mutator(fallback: Callable[[bytes, int], bytes]) -> Callable[[bytes, int, int], bytes]:
    """Return a way to change inputs that are JSON, or hold JSON before or after a rule; others go to ``fallback``."""

    def changed(data: bytes, most: int, seed: int) -> bytes:
        rng = random.Random(seed)
        pieces = data.split(PARTED)
        at = rng.randrange(len(pieces))
        try:
            tree = json.loads(pieces[at])
        except (ValueError, RecursionError):
            return fallback(data, most)
        if rng.random() < 0.2:
            return fallback(data, most)
        for _ in range(rng.randrange(1, 4)):
            tree = altered(tree, rng)
        pieces[at] = json.dumps(tree, indent=rng.choice((None, 1))).encode("utf-8", "surrogatepass")
        out = PARTED.join(pieces)
        return out if len(out) <= most else fallback(data, most)

    return changed


def parsed(data: bytes) -> Any:
    """Return what the bytes say; None, as of null, where they are no JSON."""
    try:
        return json.loads(data)
    except (ValueError, RecursionError):
        return None


def holds_json(data: bytes) -> bool:
    """Return whether an input, or a piece of it, is a JSON object or list."""
    return any(isinstance(parsed(piece), dict | list) for piece in data.split(PARTED))
