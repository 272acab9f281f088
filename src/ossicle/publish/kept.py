"""Views kept at the desk, as plates and lessons take them: found again in the account as it stands now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from ossicle.collection import Collection
from ossicle.collection.steps import steps_of
from ossicle.compare import Compared

from .following import Follower
from .lesson_text import LessonText, StepText
from .plate_text import PanelText, PlateText, with_scene
from .scene import Scene, scene_of

__all__ = ["also_shown", "current", "kept_lesson", "kept_scenes", "lesson_with", "plate_with"]


def also_shown(held: Collection, handles: Sequence[str], scenes: Sequence[Scene] | None = None) -> list[str]:
    """Return the specimens by handle, and after them those that kept views of the first (or ``scenes``) show beside."""
    known = {held.specimen(h).id for h in handles}
    out = list(handles)
    if scenes is None:
        steps = steps_of(held.layout, held.specimen(handles[0]).id).steps
        scenes = [scene_of(s["scene"], str(s.get("title", "step"))) for s in steps]
    for scene in scenes:
        for s in scene.shown:
            if int(s.specimen) not in known:
                known.add(int(s.specimen))
                out.append(held.specimen(f"#{s.specimen}").catalog_number)
    return out


def current(
    held: Collection, handles: Sequence[str], specimens: Sequence[Compared]
) -> tuple[dict[str, Compared], dict[str, str]]:
    """Return specimens and the readings that they are of, by their numbers in the collection as scenes call them."""
    numbers = [str(held.specimen(h).id) for h in handles]
    readings = {n: held.readings(h)[-1].uid for n, h in zip(numbers, handles, strict=True)}
    return dict(zip(numbers, specimens, strict=True)), readings


def kept_scenes(held: Collection, handles: Sequence[str], specimens: Sequence[Compared]) -> dict[str, Scene]:
    """Return the kept views of specimens by id, as the accounts now have them; those that show others not."""
    by_number, readings = current(held, handles, specimens)
    out = {}
    for number in by_number:
        for step in steps_of(held.layout, int(number)).steps:
            scene = scene_of(step["scene"], str(step.get("title", "step")))
            if all(s.specimen in by_number for s in scene.shown):
                out[str(step["id"])] = Follower(step.get("known", {}), by_number, readings).scene(scene)
    return out


def kept_lesson(held: Collection, handle: str, scenes: Mapping[str, Scene]) -> LessonText | None:
    """Return the lesson kept at the desk for a specimen; None where no view is kept."""
    steps = [s for s in steps_of(held.layout, held.specimen(handle).id).steps if s["id"] in scenes]
    if not steps:
        return None
    name = scenes[steps[0]["id"]].shown[0].specimen
    made = tuple(_step(s, scenes) for s in steps)
    return LessonText(f"The skull of {name}", made, "Made from views kept at the desk of Ossicle.")


def _step(step: Mapping[str, Any], scenes: Mapping[str, Scene]) -> StepText:
    title = str(step["title"])
    panel = with_scene(PanelText(kept=str(step["id"]), caption=f"{title}."), scenes, title)
    return StepText(
        title,
        str(step.get("narration", "")),
        panel,
        travel=bool(step.get("travel", True)),
        notes=str(step.get("notes", "")),
    )


def lesson_with(lesson: LessonText, scenes: Mapping[str, Scene]) -> LessonText:
    """Return a lesson with the kept views that its steps call."""
    steps = tuple(
        replace(s, panel=with_scene(s.panel, scenes, f"step {n}")) for n, s in enumerate(lesson.steps, start=1)
    )
    return replace(lesson, steps=steps)


def plate_with(plate: PlateText, scenes: Mapping[str, Scene]) -> PlateText:
    """Return a plate with the kept views that its panels call."""
    panels = tuple(with_scene(p, scenes, f"panel {n}") for n, p in enumerate(plate.panels, start=1))
    return replace(plate, panels=panels)
