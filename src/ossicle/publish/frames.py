"""What a film shows, picture by picture: a turn, the steps of a lesson, a talk."""

from __future__ import annotations

import bisect
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ossicle.account.records import View
from ossicle.errors import OssicleError

from .captions import Caption
from .lesson import clip_at
from .lesson_text import LessonText, StepText
from .naming import parts_named
from .narration import WORDS_A_MINUTE, sentences_of
from .plate_text import view_of
from .scene import Eye, Scene, Standing
from .stage import Stage
from .standing import eye_on_all, scene_of_view
from .talk import Whole
from .talk_events import scenes_at

__all__ = ["Frame", "between", "eye_at", "frames_of_lesson", "frames_of_talk", "frames_of_turn"]

TRAVEL_S = 0.9
MOVEMENT_MS = 400
"""Samples of the eye farther apart than this are no one movement (as in the player, web/lesson/track.ts)."""
_LEAST_S = 2.5
"""A step stays at least so long (convention of this program)."""


@dataclass(frozen=True)
class Frame:
    """One picture. ``pointer`` is mm right and up on the page from where the eye looks; ``bar``: with a scale bar."""

    scene: Scene
    title: str = ""
    caption: str = ""
    pointer: tuple[float, float] | None = None
    bar: bool = False


def frames_of_turn(stage: Stage, view: View, seconds: float, rate: int, width: int, height: int) -> list[Frame]:
    """Return one whole turn about the view's own vertical, all in one frame that holds the whole turn."""
    count = max(2, round(seconds * rate))
    first = scene_of_view(replace(view, centre_mm=None, extent_mm=None), stage, width, height)
    up = np.asarray(view.up, float)
    up /= np.linalg.norm(up)
    look = np.asarray(view.look, float)
    b = stage.bounds(view)
    across = math.hypot(b[3] - b[0], b[5] - b[2])
    extent = 1.05 * max(across / width, (b[4] - b[1]) / height) * min(width, height)
    axes = np.stack([np.cross(look, up), up, -look])
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    axes[1] = np.cross(axes[2], axes[0])
    middle = np.array([(b[0] + b[3]) / 2, (b[1] + b[4]) / 2, (b[2] + b[5]) / 2]) @ axes
    eye = replace(first.eye, centre_mm=_vector(middle), extent_mm=extent)
    out = []
    for k in range(count):
        angle = 2 * math.pi * k / count
        # Rodrigues' formula.
        at = look * math.cos(angle) + np.cross(up, look) * math.sin(angle) + up * (up @ look) * (1 - math.cos(angle))
        out.append(Frame(replace(first, eye=replace(eye, look=_vector(at)))))
    return out


def frames_of_lesson(
    lesson: LessonText, stages: Mapping[str, Stage], rate: int, width: int, height: int
) -> tuple[list[Frame], list[Caption]]:
    """Return the steps of a lesson, each as long as it takes to be read aloud, and its narration as captions."""
    out: list[Frame] = []
    said: list[Caption] = []
    before: Scene | None = None
    for n, step in enumerate(lesson.steps, start=1):
        scene = _scene_of(step, stages, width, height, f"step {n}")
        if before is not None and step.travel and _names(before) == _names(scene):
            count = max(1, round(TRAVEL_S * rate))
            for k in range(count):
                t = (k + 1) / count
                eye = between(before.eye, scene.eye, t * t * (3 - 2 * t))
                out.append(Frame(replace(scene, eye=eye), step.title, bar=True))
        for sentence in sentences_of(step.narration) or [""]:
            seconds = max(_LEAST_S, 60 * len(sentence.split()) / WORDS_A_MINUTE)
            begin = len(out)
            out += [Frame(scene, step.title, sentence, bar=True)] * round(seconds * rate)
            if sentence:
                said.append(Caption(1000 * begin / rate, 1000 * len(out) / rate, sentence))
        before = scene
    return out, said


def _names(scene: Scene) -> list[str]:
    return [s.specimen for s in scene.shown]


def _scene_of(step: StepText, stages: Mapping[str, Stage], width: int, height: int, where: str) -> Scene:
    if step.panel.scene is not None:
        return step.panel.scene
    names = (step.panel.specimen or next(iter(stages)), *step.beside)
    shown: list[Standing] = []
    named: list[tuple[str, int]] = []
    first: Scene | None = None
    for name in names:
        if name not in stages:
            raise OssicleError(f"there is no specimen {name!r}", where=where, mend=f"choose from {', '.join(stages)}")
        stage = stages[name]
        view = view_of(step.panel, stage.specimen, where)
        asked = parts_named(stage.specimen.account, step.panel.label, where) if step.panel.label else []
        one = scene_of_view(view, stage, width, height, tuple(asked))
        if first is None:
            clip = clip_at(step, view)
            first = replace(one, clip=clip)
        shown += one.shown
        named += [(n, p) for n, p in one.named if p in one.shown[0].solid]
    assert first is not None
    scene = replace(first, shown=tuple(shown), named=tuple(named))
    if view_of(step.panel, stages[names[0]].specimen, where).centre_mm is not None:
        return scene
    return replace(scene, eye=eye_on_all(scene, stages, width, height, 0.68 if named else 0.86))


def frames_of_talk(whole: Whole, rate: int, *, captioned: bool = False) -> list[Frame]:
    """Return what the stage shows in a talk at so many pictures a second; ``captioned`` draws the captions in."""
    times = [1000 * k / rate for k in range(max(1, round(whole.length_ms * rate / 1000)))]
    eyes = [(e.t_ms, e.changed["eye"]) for e in whole.events if "eye" in e.changed]
    out = []
    for t, (scene, pointer) in zip(times, scenes_at(whole.events, times), strict=True):
        caption = next((c.text for c in whole.captions if c.from_ms <= t < c.to_ms), "") if captioned else ""
        out.append(Frame(replace(scene, eye=eye_at(eyes, t) or scene.eye), "", caption, pointer, True))
    return out


def eye_at(eyes: Sequence[tuple[float, Eye]], t_ms: float) -> Eye | None:
    """Return the eye at a time, between its samples where they are of one movement."""
    n = bisect.bisect_right([t for t, _ in eyes], t_ms) - 1
    if n < 0:
        return None
    at, eye = eyes[n]
    if n + 1 == len(eyes) or eyes[n + 1][0] - at >= MOVEMENT_MS:
        return eye
    return between(eye, eyes[n + 1][1], (t_ms - at) / max(1e-9, eyes[n + 1][0] - at))


def between(a: Eye, b: Eye, t: float) -> Eye:
    """Return the eye between two, ``t`` 0 to 1; directions run along the great circle."""
    centre = np.asarray(a.centre_mm) + (np.asarray(b.centre_mm) - np.asarray(a.centre_mm)) * t
    extent = a.extent_mm * (b.extent_mm / a.extent_mm) ** t
    aspect = a.aspect + (b.aspect - a.aspect) * t
    look, up = _along(a.look, b.look, t), _along(a.up, b.up, t)
    if float(np.linalg.norm(np.cross(look, up))) < 1e-6:
        up = b.up
    return Eye(look, up, _vector(centre), extent, b.parallel, aspect)


def _along(a: Sequence[float], b: Sequence[float], t: float) -> tuple[float, float, float]:
    u, v = np.asarray(a, float), np.asarray(b, float)
    u, v = u / np.linalg.norm(u), v / np.linalg.norm(v)
    cos = float(np.clip(u @ v, -1, 1))
    if cos > 0.9999:
        return _vector(v)
    if cos < -0.9999:
        # By way of the vertical, or of any other where that is the way itself.
        axis = np.cross(u, [0.0, 1.0, 0.0] if abs(u[1]) < 0.9 else [0.0, 0.0, 1.0])
        axis /= np.linalg.norm(axis)
        return _vector(u * math.cos(math.pi * t) + np.cross(axis, u) * math.sin(math.pi * t))
    angle = math.acos(cos)
    return _vector((u * math.sin((1 - t) * angle) + v * math.sin(t * angle)) / math.sin(angle))


def _vector(v: Sequence[float] | np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> tuple[float, float, float]:
    return float(v[0]), float(v[1]), float(v[2])
