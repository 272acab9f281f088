"""What the naming of teeth takes as hints and gives back: plain frozen records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ..records import Emergence, Generation, Jaw, Side, ToothClass

__all__ = ["CLASS_LETTERS", "Dropped", "NameHint", "NamedTooth", "Naming", "tooth_name"]

CLASS_LETTERS: Mapping[ToothClass, str] = {"incisor": "I", "canine": "C", "premolar": "P", "molar": "M"}


@dataclass(frozen=True)
class NameHint:
    """What a person said of one part; fields left None are still inferred."""

    tooth_class: ToothClass | None = None
    position: int | None = None
    generation: Generation | None = None


@dataclass(frozen=True)
class NamedTooth:
    """One tooth with its place and generation.

    ``locus_confidence`` is the probability that class and position are right, ``generation_confidence``
    that the generation is, ``tooth_confidence`` that the part is a tooth at all, ``confidence`` that all of
    it holds; 0 to 1. ``replaces`` and ``replaced_by`` are part numbers; ``succession_confidence`` belongs
    to them. ``extra`` marks a tooth that fits no locus of the chosen formula.
    """

    part: int
    name: str
    jaw: Jaw
    side: Side
    tooth_class: ToothClass
    position: int
    generation: Generation
    emergence: Emergence
    replaces: int | None
    replaced_by: int | None
    confidence: float
    locus_confidence: float
    generation_confidence: float
    tooth_confidence: float
    succession_confidence: float | None = None
    alternatives: tuple[tuple[str, Generation, float], ...] = ()
    extra: bool = False
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Dropped:
    """A part that is held to be no tooth, why, and the probability of that."""

    part: int
    reason: str
    confidence: float


@dataclass(frozen=True)
class Naming:
    """The dentition of one specimen.

    ``formula`` counts erupted and erupting teeth per quadrant (``upper_left``) and class letter, each locus
    once: a deciduous tooth and the successor that erupts beside it count as one. ``gaps`` lists per
    quadrant the loci of the chosen dentition in which no tooth was seen although its age calls for one.
    ``dentition`` names the chosen one by up to three listed genera that share its rows, ``alike`` all of
    them. ``dental_age`` is on the scale of ``clock`` (0 birth of a placental, 1 all molars through), with
    its standard deviation.
    """

    teeth: tuple[NamedTooth, ...]
    dropped: tuple[Dropped, ...]
    dentition: str | None
    dentition_confidence: float
    candidates: tuple[tuple[str, float], ...]
    formula: Mapping[str, Mapping[str, int]]
    gaps: Mapping[str, tuple[str, ...]]
    dental_age: tuple[float, float] | None
    alike: tuple[str, ...] = ()
    anomalies: tuple[str, ...] = ()
    remarks: tuple[str, ...] = field(default=())


def tooth_name(jaw: Jaw, tooth_class: ToothClass, position: int, generation: Generation) -> str:
    """Return the short name: upper case in the upper jaw, lower case in the lower, ``d`` before a deciduous
    tooth; a canine has no number."""
    letter = CLASS_LETTERS[tooth_class]
    if jaw == "lower":
        letter = letter.lower()
    number = "" if tooth_class == "canine" else str(position)
    return f"{'d' if generation == 'deciduous' else ''}{letter}{number}"
