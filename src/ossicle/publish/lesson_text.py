"""What a lesson says and shows, read from TOML or JSON; and a draft of it, made from an account."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ossicle.account.records import Finding
from ossicle.compare import Compared, compare_two, sentences
from ossicle.errors import OssicleError
from ossicle.files import text_within

from .naming import names_of, parts_named
from .narration import as_text
from .plate_text import PanelText, panel_fields, read_panel

__all__ = ["SLICES", "LessonText", "StepText", "draft", "lesson_text", "lesson_toml", "read_lesson"]

SLICES: Mapping[str, tuple[float, float, float]] = {
    "sagittal": (1.0, 0.0, 0.0),
    "frontal": (0.0, 1.0, 0.0),
    "transverse": (0.0, 0.0, 1.0),
}
"""Slices by name, with the skull axis that they stand across."""
_OWN = ("title", "narration", "slice", "at_mm", "travel", "beside", "notes")


@dataclass(frozen=True)
class StepText:
    """One step. ``panel`` is what is shown, as in a plate; ``slice`` cuts away what lies before a plane ``at_mm`` along
    its axis; ``beside`` names further specimens that stand beside; ``travel`` goes there by a short way; ``notes``
    (Markdown) are for the speaker alone."""

    title: str
    narration: str
    panel: PanelText
    slice: str = ""
    at_mm: float = 0.0
    travel: bool = True
    beside: tuple[str, ...] = ()
    notes: str = ""


@dataclass(frozen=True)
class LessonText:
    """A lesson."""

    title: str
    steps: tuple[StepText, ...]
    note: str = field(default="")


def lesson_text(path: Path) -> LessonText:
    """Read a description (TOML, or JSON where the file's name ends so).

    Raises
    ------
    OssicleError
        It cannot be read, or says what no lesson knows.
    """
    try:
        text = text_within(path)
        data = json.loads(text) if path.suffix.lower() == ".json" else tomllib.loads(text)
    except (OSError, UnicodeDecodeError) as error:
        raise OssicleError(f"the description cannot be read ({error})", where=path, mend="name a TOML file") from error
    except (ValueError, RecursionError) as error:
        raise OssicleError(
            f"the description cannot be understood ({error})", where=path, mend="mend that line"
        ) from error
    if not isinstance(data, dict):
        raise OssicleError("this is no description of a lesson", where=path, mend="begin it with a title")
    return read_lesson(data, str(path))


def read_lesson(data: Mapping[str, Any], where: str) -> LessonText:
    """Return a lesson from the data of its description."""
    steps = data.get("step")
    if not isinstance(steps, list) or not steps:
        raise OssicleError("the lesson has no step", where=where, mend="begin one with [[step]]")
    for key in data:
        if key not in ("title", "note", "step"):
            raise OssicleError(f"{key!r} is not known here", where=where, mend="choose from title, note, step")
    made = tuple(_step(s, f"{where}, step {n}") for n, s in enumerate(steps, start=1))
    return LessonText(str(data.get("title", "Lesson")), made, str(data.get("note", "")))


def _step(data: Any, where: str) -> StepText:
    if not isinstance(data, dict):
        raise OssicleError("this is no step", where=where, mend="write it as [[step]]")
    own = {k: v for k, v in data.items() if k in _OWN}
    panel = read_panel({k: v for k, v in data.items() if k not in _OWN}, where)
    kinds: dict[str, Any] = {"title": str, "narration": str, "slice": str, "at_mm": (int, float), "travel": bool}
    kinds["notes"] = str
    for key, kind in kinds.items():
        if key in own and not isinstance(own[key], kind):
            raise OssicleError(f"{key} = {own[key]!r} is of the wrong kind", where=where, mend="see docs/publish.md")
    beside = own.get("beside", [])
    beside = [beside] if isinstance(beside, str) else beside
    if not isinstance(beside, list) or not all(isinstance(b, str) for b in beside):
        raise OssicleError("beside is a list of specimens", where=where, mend='write beside = ["adult"]')
    if own.get("slice", "") not in ("", *SLICES):
        raise OssicleError(f"{own['slice']!r} is no slice", where=where, mend=f"choose from {', '.join(SLICES)}")
    if beside and not panel.view:
        raise OssicleError("this view says itself what it shows", where=where, mend="use a standard view")
    if not own.get("title"):
        raise OssicleError("the step has no title", where=where, mend='write title = "The upper teeth"')
    return StepText(
        own["title"],
        own.get("narration", ""),
        panel,
        own.get("slice", ""),
        float(own.get("at_mm", 0.0)),
        own.get("travel", True),
        tuple(beside),
        own.get("notes", ""),
    )


def lesson_toml(lesson: LessonText) -> str:
    """Return a lesson as TOML, to be worked on and read again."""
    lines = [f"title = {_toml(lesson.title)}", f"note = {_toml(lesson.note)}"]
    empty = PanelText()
    for step in lesson.steps:
        lines += ["", "[[step]]", f"title = {_toml(step.title)}"]
        for name in panel_fields():
            value = getattr(step.panel, name)
            if value != getattr(empty, name) and not (name == "specimen" and step.panel.kept):
                lines.append(f"{name} = {_toml(value)}")
        if step.slice:
            lines += [f"slice = {_toml(step.slice)}", f"at_mm = {step.at_mm}"]
        if step.beside:
            lines.append(f"beside = {_toml(step.beside)}")
        if not step.travel:
            lines.append("travel = false")
        if step.notes:
            lines.append(f"notes = {_toml(step.notes)}")
        lines.append(f"narration = {_toml(step.narration)}")
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    # Strings of JSON are strings of TOML, but for the one control character that JSON leaves as it is.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f") if isinstance(value, str) else repr(value)


def draft(specimens: Sequence[Compared]) -> LessonText:
    """Return the draft of a lesson, made from the account of the first specimen, compared with each of the others.

    It says what the account says and no more; steps whose subject the account does not have are left out.
    """
    s = specimens[0]
    found: dict[str, list[Finding]] = {}
    for f in s.account.findings:
        found.setdefault(f.region, []).append(f)

    def said(region: str, most: int, *starts: str) -> str:
        some = [f for f in found.get(region, []) if not starts or f.id.startswith(starts)]
        return "\n\n".join(as_text(f.statement) for f in some[:most])

    steps = [StepText("The skull", said("scan", 1), PanelText(view="lateral left"))]
    a = s.account
    if a.formula.text:
        formula = f"**{as_text(a.formula.text)}**\n\n" + said("formula", 2)
        panel = PanelText(view="lateral left", bone="veiled")
        steps.append(StepText("Teeth and their formula", formula + "\n\n" + said("stage", 1), panel))
    for jaw, view in (("upper", "upper occlusal"), ("lower", "lower occlusal")):
        rows = said("dentition", 2, *(f"dentition/{jaw}-{side}/in-place" for side in ("right", "left")))
        if rows:
            steps.append(StepText(f"The {jaw} teeth", rows, PanelText(view=view, label=_in_place(s, jaw))))
    hidden = [f for f in found.get("dentition", []) if f.id.endswith("/in-crypts")]
    for f in hidden[:2]:
        panel = PanelText(finding=f.id, label=_labels(s, f))
        steps.append(StepText(f"Hidden in the bone, {f.subject.replace('-', ' ')}", as_text(f.statement), panel))
    if said("replacement", 1):
        panel = PanelText(view="lateral left", bone="veiled", lift_mm=2.0)
        steps.append(StepText("Which tooth will replace which", said("replacement", 2), panel))
    for region, title in (("palate", "The palate"), ("ear", "The ear"), ("braincase", "The braincase")):
        first = next((f for f in found.get(region, []) if f.evidence.view is not None), None)
        if first is not None:
            steps.append(StepText(title, said(region, 3), PanelText(finding=first.id, label=_labels(s, first))))
    if said("jaw", 1):
        steps.append(StepText("The lower jaw", said("jaw", 3), PanelText(view="left dentary lateral")))
    for other in specimens[1:]:
        words = [w for some in sentences(compare_two(s, other)).values() for w in some][:4]
        panel = PanelText(view="lateral left", bone="veiled")
        text = "\n\n".join(as_text(w) for w in words)
        steps.append(StepText(f"Beside {other.name}", text, panel, beside=(other.name,)))
    if len(specimens) > 2:
        names = [x.name for x in specimens]
        panel = PanelText(view="lateral left", bone="veiled")
        text = as_text(f"{', '.join(names[:-1])} and {names[-1]} side by side, at one scale.")
        steps.append(StepText("All side by side", text, panel, beside=tuple(names[1:])))
    note = "Drafted from the account by Ossicle."
    return LessonText(f"The skull of {s.name}", tuple(steps), note)


def _in_place(s: Compared, jaw: str) -> tuple[str, ...]:
    return _called(
        s, [t.part for t in s.account.teeth if t.jaw == jaw and t.side == "left" and t.emergence != "in_crypt"]
    )


def _labels(s: Compared, f: Finding) -> tuple[str, ...]:
    assert f.evidence.view is not None
    solid = [p for p, how in f.evidence.view.presence.items() if how == "solid"]
    return _called(s, [p for p in solid if s.part(p) is not None][:24])


def _called(s: Compared, parts: Sequence[int]) -> tuple[str, ...]:
    """Parts by the names that a person would write, by number where a name means another part as well."""
    names = {part: name.replace("?", "") for part, name in names_of(s.account).items()}
    return tuple(
        names[part] if parts_named(s.account, [names[part]], s.name) == [part] else str(part) for part in parts
    )
