"""The invented animals, one TOML file each, and what they mean (lengths in mm of the adult design)."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from ossicle.errors import OssicleError
from ossicle.practice.crowns import FORMS
from ossicle.practice.growth import Course

__all__ = ["Animal", "Generation", "Locus", "Stage", "animal", "animals"]

KINDS = {"I": "incisor", "C": "canine", "P": "premolar", "M": "molar"}


@dataclass(frozen=True)
class Generation:
    """One generation of teeth at a locus: form, size (length, width, height), root length, and its course in
    life.
    """

    form: str
    size: tuple[float, float, float]
    root: float
    course: Course
    enamel: float
    curve: float
    stout: float
    spread: float
    exposed: float = 0.0
    bend: float = 0.0
    growing: bool = False


@dataclass(frozen=True)
class Locus:
    """A place in the row, with its first and, where it is replaced, second generation.

    `gap` is the space (mm) before it, `lean` and `tip` (radians) turn its crown towards buccal and mesial.
    `stand` (x, y, z in mm, and yaw in radians) puts it there in a sagittal plane, whatever the row's curve;
    `start` (mm along the row) leaves a diastema before it.
    """

    jaw: str
    kind: str
    position: int
    gap: float
    lean: float
    tip: float
    stand: tuple[float, float, float, float] | None
    start: float | None
    first: Generation | None
    second: Generation


@dataclass(frozen=True)
class Stage:
    """A growth stage: age (0 newborn, 1 adult), scale of face and braincase, and share of crown height worn
    away.
    """

    age: float
    face: float
    brain: float
    wear: float = 0.0


@dataclass(frozen=True)
class Animal:
    """An invented animal: its loci in row order (front to back), stages, and the design of its skull.

    All are designed with a skull of about 34 mm; `scale` makes the animal's own size of it.
    """

    name: str
    title: str
    pattern: str
    scale: float
    loci: tuple[Locus, ...]
    stages: Mapping[str, Stage]
    design: Mapping[str, Any]

    def row(self, jaw: str) -> list[Locus]:
        """The loci of one jaw, in the order of the design."""
        return [locus for locus in self.loci if locus.jaw == jaw]


def _generation(entry: Mapping[str, Any], base: Generation | None, course: Course) -> Generation:
    if base is None:
        size = tuple(float(v) for v in entry["size"])
        root = float(entry.get("root", size[2] * 1.2))
    else:
        s = float(entry.get("scale", 0.7))
        raw = entry["size"] if "size" in entry else [v * s for v in base.size]
        size = tuple(float(v) for v in raw)
        root = float(entry.get("root", min(base.root * s, 1.0 * size[2])))
    form = str(entry.get("form", base.form if base else "peg"))
    if form not in FORMS:
        raise OssicleError(f"unknown crown form {form!r}", mend=f"use one of {', '.join(sorted(FORMS))}")
    thick = float(entry.get("enamel", (0.07 + 0.075 * min(size[0], size[1])) * (0.6 if base else 1.0)))
    a, b, c = size
    return Generation(
        form,
        (a, b, c),
        root,
        course,
        thick,
        float(entry.get("curve", 0.05)),
        float(entry.get("stout", 0.8 if base else 1.0)),
        float(entry.get("spread", 2.2 if base else 1.0)),
        float(entry.get("exposed", 0.0)),
        float(entry.get("bend", 0.0)),
        bool(entry.get("growing", False)),
    )


def _locus(entry: Mapping[str, Any]) -> Locus:
    jaw, place = str(entry["at"]).split()
    milk = entry.get("deciduous")
    erupts = float(entry["erupts"])
    second = _generation(entry, None, Course(erupts, float(entry.get("pace", 1.0))))
    first = None
    if milk is not None:
        first = _generation(milk, second, Course(float(milk["erupts"]), float(milk.get("pace", 0.62)), erupts - 0.05))
    stand = None
    if "stand" in entry:
        x, y, z, yaw = (float(v) for v in entry["stand"])
        stand = (x, y, z, math.radians(yaw))
    return Locus(
        jaw,
        KINDS[place[0]],
        int(place[1:]),
        float(entry.get("gap", 0.05)),
        math.radians(float(entry.get("lean", 0.0))),
        math.radians(float(entry.get("tip", 0.0))),
        stand,
        float(entry["start"]) if "start" in entry else None,
        first,
        second,
    )


@cache
def animal(name: str) -> Animal:
    """Load one animal; raises :class:`OssicleError` for an unknown name."""
    file = resources.files(__name__) / f"{name}.toml"
    if not file.is_file():
        raise OssicleError(f"there is no practice animal called {name!r}", mend=f"choose one of {', '.join(animals())}")
    data = tomllib.loads(file.read_text(encoding="utf-8"))
    stages = {k: Stage(**{n: float(x) for n, x in v.items()}) for k, v in data["stage"].items()}
    loci = tuple(_locus(e) for e in data.get("tooth", ()))
    return Animal(data["name"], data["title"], data["pattern"], float(data.get("scale", 1.0)), loci, stages, data)


@cache
def animals() -> tuple[str, ...]:
    """Names of all animals."""
    names = (f.name for f in resources.files(__name__).iterdir())
    return tuple(sorted(n.removesuffix(".toml") for n in names if n.endswith(".toml")))
