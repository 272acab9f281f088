"""Lessons as one HTML file that opens anywhere: the player, the surfaces and the steps, all within it.

Nothing is asked of any network: the page's own policy forbids it, and allows the one script and the one style sheet
that it holds by their digests. All text is escaped; narration is Markdown without raw HTML.
"""

from __future__ import annotations

import base64
import html
import json
from collections.abc import Callable, Mapping, Sequence
from importlib.resources import files
from typing import Any

import numpy as np

from ossicle.account.page import content_hash
from ossicle.account.prose import CAUTIONS
from ossicle.account.records import View
from ossicle.compare import Compared
from ossicle.errors import OssicleError

from .drawing import Camera
from .gltf import glb
from .groups import group_of
from .lesson_text import SLICES, LessonText, StepText
from .naming import names_of, parts_named, short_names
from .narration import markdown_html, paragraphs
from .pictures import jpeg, shot
from .plate_text import view_of
from .scene import Scene
from .sheets import Block, Figure, Heading, Para
from .stage import Stage, stage_of

__all__ = ["MOST_BYTES", "handout", "lesson_page", "page", "scene_data", "specimen_data", "stages_of", "step_data"]

MOST_BYTES = 15_000_000
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


def specimen_data(stage: Stage) -> Json:
    """Return a specimen as the player takes it: surfaces as glTF, parts with names, colours and lifts."""
    s = stage.specimen
    names = names_of(s.account)
    parts = []
    for n, part in stage.parts.items():
        tooth = stage.teeth.get(n)
        surface = stage.surfaces[f"part-{n}"]
        # Where a label points: the vertex nearest to the middle, so that it lies on the part.
        middle = surface.vertices.mean(axis=0)
        nearest = surface.vertices[int(np.argmin(np.linalg.norm(surface.vertices - middle, axis=1)))]
        at = middle if tooth is not None else nearest
        parts.append(
            {
                "part": n,
                "name": names[n],
                "group": group_of(part, tooth),
                "colour": _rounded(stage.piece_colour(part, enamel=False)),
                "enamel": _rounded(stage.piece_colour(part, enamel=True)),
                "lift": _rounded(stage.ways[n]),
                "centre": _rounded(at),
            }
        )
    data = glb(stage.surfaces, {"frame": "skull"})
    return {"name": s.name, "glb": base64.b64encode(data).decode(), "parts": parts}


def _rounded(values: Sequence[float] | np.ndarray[Any, Any]) -> list[float]:
    return [round(float(v), 4) for v in values]


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
        "look": _rounded(view.look),
        "up": _rounded(view.up),
        "centre": None if view.centre_mm is None else _rounded(view.centre_mm),
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


def scene_data(scene: Scene, stages: Mapping[str, Stage], order: Mapping[str, int]) -> Json:
    """Return a scene as the player takes it; ``order`` numbers the specimens that the page holds."""
    eye = scene.eye
    shown, labels = [], []
    for s in scene.shown:
        held = stages[s.specimen].parts
        one: Json = {
            "specimen": order[s.specimen],
            "solid": [p for p in s.solid if p in held],
            "veiled": [p for p in s.veiled if p in held],
            "veil": s.veil,
        }
        if s.enamel is not None:
            one["enamel"] = [p for p in s.enamel if p in held]
        if s.chosen:
            one["chosen"] = [p for p in s.chosen if p in held]
        if s.laid is not None:
            one["laid"] = _rounded(s.laid)
        shown.append(one)
        names = short_names(stages[s.specimen].specimen.account)
        labels += [
            {"specimen": order[s.specimen], "part": p, "text": names[p]}
            for name, p in scene.named
            if name == s.specimen and p in held
        ]
    return {
        "look": _rounded(eye.look),
        "up": _rounded(eye.up),
        "centre": _rounded(eye.centre_mm),
        "extent": round(eye.extent_mm, 4),
        "aspect": round(eye.aspect, 4),
        "parallel": eye.parallel,
        "lift": scene.lift_mm,
        "shown": shown,
        "labels": labels,
        "clip": None if scene.clip is None else {"normal": _rounded(scene.clip[0]), "reach": round(scene.clip[1], 4)},
    }


def _clip(step: StepText, view: View) -> tuple[tuple[float, float, float], float] | None:
    """The plane of a step, or of its scene where one specimen stands there, as pictures take it."""
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
    return {"normal": _rounded(sign * axis), "reach": sign * step.at_mm}


def page(data: Json) -> str:
    """Return the page that plays a lesson or a spotter."""
    script = _held("lesson.js").replace("</script", "<\\/script").replace("<!--", "<\\!--")
    style = _held("lesson.css")
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for mark in ("<", ">", "&", "\u2028", "\u2029"):
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    policy = (
        f"default-src 'none'; script-src {_digest(script)}; style-src {_digest(style)}; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
    e = html.escape
    cautions = " ".join(CAUTIONS)
    keys = "Keys: arrows go on and back, Shift with arrows turns, + and − bring nearer and farther, R returns."
    out = f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>{e(data["title"])}</title>
<style>{style}</style>
</head>
<body>
<div id="place"><canvas id="stage" aria-describedby="title"></canvas><svg id="marks" aria-hidden="true"></svg>
<div id="scale" role="img" aria-label="Scale bar"></div><p id="named" aria-live="polite"></p>
<button id="return" type="button" hidden>Return to the step</button></div>
<main id="panel">
<p id="of">{e(data["title"])}, <span id="count"></span></p>
<div aria-live="polite"><h1 id="title"></h1><div id="narration"></div></div>
<section id="ask" hidden aria-live="polite"></section><p id="score" aria-live="polite"></p>
<nav aria-label="Steps"><button id="back" type="button">Back</button><button id="next" type="button">Next</button></nav>
<ol id="steps"></ol>
<p id="keys">{keys} Drag to turn; two fingers or the wheel bring nearer.</p>
<p id="note">{e(data["note"])} {e(cautions)}</p>
<noscript>This page draws the skull with a program of its own; allow scripts to see it.</noscript>
</main>
<script type="application/json" id="lesson-data">{text}</script>
<script>{script}</script>
</body>
</html>
"""
    if len(out.encode()) > MOST_BYTES:
        raise OssicleError(
            f"the page would have {len(out.encode()) / 1e6:.0f} MB, more than {MOST_BYTES / 1e6:.0f}",
            where=str(data["title"]),
            mend="show fewer specimens or take a smaller --triangles",
        )
    return out


def _held(name: str) -> str:
    return files("ossicle.publish").joinpath("page", name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return f"'sha256-{content_hash(text)}'"


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
            cut = _clip(step, view)
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
