"""Lessons as one HTML file that opens anywhere: the player, the surfaces and the steps, all within it.

Narration is Markdown without raw HTML.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from ossicle.account.prose import CAUTIONS
from ossicle.account.records import View
from ossicle.compare import Compared
from ossicle.errors import OssicleError

from .drawing import Camera
from .lesson_text import SLICES, LessonText, StepText
from .naming import parts_named, short_names
from .narration import markdown_html, paragraphs
from .pictures import jpeg, shot
from .plate_text import view_of
from .player import page, rounded, scene_data, specimen_data
from .sheets import Block, Figure, Heading, Para
from .stage import Stage, stage_of

__all__ = ["clip_at", "handout", "lesson_page", "stages_of", "step_data"]

Progress = Callable[[str, float], None]
Json = dict[str, Any]


def stages_of(
    specimens: Sequence[Compared], budget: int = 150_000, progress: Progress | None = None
) -> dict[str, Stage]:
    """Return specimens set up, by name."""
    out = {}
    for n, s in enumerate(specimens):
        if progress is not None:
            progress(f"surfaces of {s.name}", n / len(specimens))
        out[s.name] = stage_of(s, budget)
    return out


def lesson_page(lesson: LessonText, stages: Mapping[str, Stage]) -> str:
    """Return the page of a lesson.

    Raises
    ------
    OssicleError
        A step asks for what its specimen does not have, or the page would be too large.
    """
    used = _used(lesson, stages)
    order = {name: n for n, name in enumerate(used)}
    steps = [step_data(s, stages, order, f"step {n}") for n, s in enumerate(lesson.steps, start=1)]
    data = {
        "kind": "lesson",
        "title": lesson.title,
        "note": lesson.note,
        "specimens": [specimen_data(stages[name]) for name in used],
        "steps": steps,
    }
    return page(data)


def _used(lesson: LessonText, stages: Mapping[str, Stage]) -> list[str]:
    first = next(iter(stages))
    used: dict[str, None] = {}
    for n, step in enumerate(lesson.steps, start=1):
        for name in _names(step, first):
            if name not in stages:
                raise OssicleError(
                    f"there is no specimen {name!r}", where=f"step {n}", mend=f"choose from {', '.join(stages)}"
                )
            used[name] = None
    return list(used)


def _names(step: StepText, first: str) -> tuple[str, ...]:
    """The specimens that a step shows, the leading one first."""
    if step.panel.scene is not None:
        return tuple(s.specimen for s in step.panel.scene.shown)
    return (step.panel.specimen or first, *step.beside)


def step_data(step: StepText, stages: Mapping[str, Stage], order: Mapping[str, int], where: str) -> Json:
    """Return a step as the player takes it."""
    if step.panel.scene is not None:
        return {**_words(step), **scene_data(step.panel.scene, stages, order)}
    lead = step.panel.specimen or next(iter(stages))
    view = view_of(step.panel, stages[lead].specimen, where)
    shown, labels = [], []
    for name in (lead, *step.beside):
        stage = stages[name]
        own = view if name == lead else view_of(step.panel, stage.specimen, where)
        looks = stage.looks(own)
        solid = [p for p, how in looks.items() if how == "solid"]
        if not solid and "veiled" not in looks.values():
            raise OssicleError("this step shows nothing", where=f"{where}: {name}", mend="leave some part solid")
        shown.append(
            {"specimen": order[name], "solid": solid, "veiled": [p for p, how in looks.items() if how == "veiled"]}
        )
        if step.panel.label:
            names = short_names(stage.specimen.account)
            asked = parts_named(stage.specimen.account, step.panel.label, f"{where}: {name}")
            labels += [{"specimen": order[name], "part": p, "text": names[p]} for p in asked if p in solid]
    return {
        **_words(step),
        "look": rounded(view.look),
        "up": rounded(view.up),
        "centre": None if view.centre_mm is None else rounded(view.centre_mm),
        "extent": view.extent_mm,
        "lift": view.lift_mm,
        "shown": shown,
        "labels": labels,
        "clip": clip_of(step, view),
    }


def _words(step: StepText) -> Json:
    notes = markdown_html(step.notes) if step.notes else ""
    return {
        "title": step.title,
        "html": markdown_html(step.narration),
        "notes": notes,
        "travel": step.travel,
        "ask": None,
    }


def clip_at(step: StepText, view: View) -> tuple[tuple[float, float, float], float] | None:
    """Return the plane of a step as pictures take it: that of its slice, or of its kept view where one stands there."""
    scene = step.panel.scene
    if scene is not None:
        return scene.clip if len(scene.shown) == 1 else None
    cut = clip_of(step, view)
    return None if cut is None else ((cut["normal"][0], cut["normal"][1], cut["normal"][2]), cut["reach"])


def clip_of(step: StepText, view: View) -> Json | None:
    """Return the plane that takes away what lies between it and the eye; None where the step has no slice."""
    if not step.slice:
        return None
    axis = np.array(SLICES[step.slice])
    towards = Camera(view.look, view.up, (0.0, 0.0, 0.0), 1.0, 1, 1).axes[2]
    sign = 1.0 if float(axis @ towards) >= 0 else -1.0
    return {"normal": rounded(sign * axis), "reach": sign * step.at_mm}


def handout(
    lesson: LessonText,
    stages: Mapping[str, Stage],
    progress: Progress | None = None,
    size: tuple[int, int] = (900, 460),
) -> list[Block]:
    """Return a lesson as blocks to print: a picture (``size`` in pixels) and its narration a step."""
    width, height = size
    out: list[Block] = [Heading(lesson.title, 1)]
    if lesson.note:
        out.append(Para(lesson.note, small=True))
    first = next(iter(stages))
    for n, step in enumerate(lesson.steps, start=1):
        if progress is not None:
            progress(f"step {n}", (n - 1) / len(lesson.steps))
        out.append(Heading(f"{n}. {step.title}"))
        names = _names(step, first)
        for name in names:
            stage = stages[name]
            view = view_of(step.panel, stage.specimen, f"step {n}")
            cut = clip_at(step, view)
            taken = shot(
                stage,
                view,
                width,
                height,
                clip=cut,
            )
            caption = view.caption if len(names) == 1 else f"{name}: {view.caption}"
            out.append(Figure(jpeg(taken.rgb), "jpeg", caption, caption, size, width * taken.mm_per_px))
        out += [Para(text) for text in paragraphs(step.narration)]
    return [*out, *(Para(text, small=True) for text in CAUTIONS)]
