"""What a shell offers after Tab where the program knows the words: presets, dentitions. Nothing heavy."""

from __future__ import annotations

from pathlib import Path

__all__ = ["dentitions", "presets"]

_PACKAGE = Path(__file__).parents[1]


def presets(incomplete: str) -> list[str]:
    """Return the practice presets that begin so, without loading what makes them."""
    from ossicle.anatomy.stages import STAGES

    animals = sorted(file.stem for file in (_PACKAGE / "practice" / "animals").glob("*.toml"))
    names = [f"{animal}-{stage}" for animal in animals for stage in STAGES]
    return [name for name in names if name.startswith(incomplete)]


def dentitions(incomplete: str) -> list[str]:
    """Return the dentitions that begin so, in any case."""
    from ossicle.anatomy.dentitions import dentition_names

    names = ("auto", *dentition_names())
    return [name for name in names if name.casefold().startswith(incomplete.casefold())]
