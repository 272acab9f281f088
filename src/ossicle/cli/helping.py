"""The list of commands that ``ossicle --help`` prints: by occasion, in the order of the work, each said in full."""

from __future__ import annotations

from typing import Any, ClassVar

from typer.core import TyperGroup

__all__ = ["SECTIONS", "ByOccasion", "InFull"]

SECTIONS: dict[str, tuple[str, ...]] = {
    "Read a scan": ("read", "account", "practice"),
    "Keep specimens": ("intake", "list", "show", "describe", "jobs", "check"),
    "Look and decide": ("desk", "persons", "decide", "history"),
    "Compare": ("compare", "series", "shape", "characters", "score", "matrix"),
    "Hand on": ("lesson", "spotter", "talk", "film", "plate", "report", "mesh", "tables", "deposit", "receive"),
}
"""Commands by occasion; one that is in none stands at the end, under "Further" (a test sees to it that none does)."""


class InFull(TyperGroup):
    """A group whose help says each command in full, by section."""

    sections: ClassVar[dict[str, tuple[str, ...]]] = {}
    others = "Commands"

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names of the commands, in the order of the sections."""
        known = [name for names in self.sections.values() for name in names if name in self.commands]
        return known + [name for name in self.commands if name not in known]

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the sections, then what is in none."""
        placed = {name for section in self.sections.values() for name in section}
        rest = tuple(name for name in self.list_commands(ctx) if name not in placed)
        for title, wanted in {**self.sections, self.others: rest}.items():
            rows = [(n, _first(self.commands[n].help or "")) for n in wanted if n in self.commands]
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows)


class ByOccasion(InFull):
    """The commands of the program, by occasion."""

    sections = SECTIONS
    others = "Further"


def _first(text: str) -> str:
    """The first sentence of a command's help."""
    paragraph = " ".join(text.split("\n\n")[0].split())
    return paragraph.split(". ")[0].rstrip(".") + "."
