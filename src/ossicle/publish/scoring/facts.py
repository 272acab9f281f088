"""The facts that rules of characters ask for, told from an account; each keeps what it rests on.

A fact that the account does not tell is None. What teeth tell stands in `tooth_facts`, what bone tells in `bone_facts`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from ossicle.anatomy.rules import Fact, Span
from ossicle.reading.records import Side

from .bone_facts import BoneFacts
from .tooth_facts import ToothFacts

__all__ = ["Facts"]

_SIDES: tuple[Side, Side] = ("left", "right")


class Facts(ToothFacts, BoneFacts):
    """The facts of one account, on one side of the animal or on both together (``side`` None)."""

    def table(self) -> Mapping[str, Callable[..., Fact]]:
        """Return each fact of `ossicle.anatomy.characters.FACTS` by name."""
        sided: dict[str, Callable[..., Fact]] = {
            "loci": self.loci,
            "tooth": self.tooth,
            "generation": self.generation,
            "length": self.length,
            "width": self.width,
            "height": self.height,
            "tallest": self.tallest,
            "gap": self.gap,
            "opening": self.opening,
            "area": self.area,
            "opening_length": self.opening_length,
            "measure": self.measure,
            "angular_process": self.angular_process,
            "inflection": self.inflection,
            "mental_foramina": self.mental_foramina,
            "stapes": self.stapes,
            "stapedial_ratio": self.stapedial_ratio,
            "cochlear_turns": self.cochlear_turns,
            "canal_radius": self.canal_radius,
        }
        whole: dict[str, Callable[..., Fact]] = {
            "grown": self.grown,
            "symphysis": self.symphysis,
            "replaced_premolars": lambda jaw: self.replaced(jaw, "premolar"),
            "replaced_incisors": lambda jaw: self.replaced(jaw, "incisor"),
        }
        return {name: self._on_each(fact) for name, fact in sided.items()} | whole

    def _on_each(self, fact: Callable[..., Fact]) -> Callable[..., Fact]:
        def asked(*given: Any) -> Fact:
            if self.side is not None:
                return fact(self.side, *given)
            return _joined([fact(side, *given) for side in _SIDES])

        return asked


def _joined(found: list[Fact]) -> Fact:
    """Return what both sides say together: of numbers the span of both, of words the one that both say."""
    told = [f for f in found if f is not None]
    if not told:
        return None
    if all(isinstance(f, Span) for f in told):
        spans = [f for f in told if isinstance(f, Span)]
        return Span(min(s.low for s in spans), max(s.high for s in spans))
    if all(isinstance(f, bool) for f in told):
        return True if True in told else None if None in found else False
    return told[0] if all(f == told[0] for f in told) else None
