"""The player: one HTML page that holds surfaces, what is shown of them, and the program that shows it.

Nothing is asked of any network: the page's own policy forbids it, and allows the one script and the one style sheet
that it holds by their digests. All text is escaped.
"""

from __future__ import annotations

import base64
import html
import json
from collections.abc import Callable, Mapping, Sequence
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.account.page import content_hash
from ossicle.account.prose import CAUTIONS
from ossicle.compare import Compared
from ossicle.errors import OssicleError

from .gltf import glb
from .groups import group_of
from .naming import names_of, short_names
from .scene import Cut, Eye, Scene, Standing
from .stage import Stage

__all__ = [
    "MOST_BYTES",
    "Slicer",
    "Slices",
    "clip_data",
    "eye_data",
    "labels_data",
    "page",
    "rounded",
    "scene_data",
    "shown_data",
    "specimen_data",
]

MOST_BYTES = 15_000_000
MOST_SLICES = 120
"""Pictures of slices in one page."""
Json = dict[str, Any]
Slicer = Callable[[Compared, Cut], tuple[npt.NDArray[np.float64], bytes]]
"""Draws a slice: its corners (upper left, upper right, lower right, lower left; skull mm) and it as JPEG."""


class Slices:
    """The slices that a page shows, each drawn and held once.

    Parameters
    ----------
    draw
        Draws one; None where there are no greys at hand, and then no slice is shown.
    """

    def __init__(self, draw: Slicer | None) -> None:
        self.draw = draw
        self.data: list[Json] = []
        self._numbers: dict[tuple[str, Cut], int] = {}

    def number(self, stage: Stage, cut: Cut | None) -> int | None:
        """Return the number of a slice through a specimen in the page; None where none is shown."""
        if cut is None or self.draw is None:
            return None
        key = (stage.specimen.name, cut)
        if key not in self._numbers:
            if len(self.data) >= MOST_SLICES:
                return None
            corners, jpeg = self.draw(stage.specimen, cut)
            self._numbers[key] = len(self.data)
            self.data.append({"corners": [rounded(c) for c in corners], "jpeg": base64.b64encode(jpeg).decode()})
        return self._numbers[key]


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
                "colour": rounded(stage.piece_colour(part, enamel=False)),
                "enamel": rounded(stage.piece_colour(part, enamel=True)),
                "lift": rounded(stage.ways[n]),
                "centre": rounded(at),
            }
        )
    data = glb(stage.surfaces, {"frame": "skull"})
    return {"name": s.name, "glb": base64.b64encode(data).decode(), "parts": parts}


def rounded(values: Sequence[float] | np.ndarray[Any, Any]) -> list[float]:
    """Return numbers to four decimals, as pages hold them."""
    return [round(float(v), 4) for v in values]


def eye_data(eye: Eye) -> Json:
    """Return an eye as the player takes it."""
    return {
        "look": rounded(eye.look),
        "up": rounded(eye.up),
        "centre": rounded(eye.centre_mm),
        "extent": round(eye.extent_mm, 4),
        "aspect": round(eye.aspect, 4),
        "parallel": eye.parallel,
    }


def shown_data(shown: Sequence[Standing], stages: Mapping[str, Stage], order: Mapping[str, int]) -> list[Json]:
    """Return how specimens stand; ``order`` numbers the specimens that the page holds."""
    out = []
    for s in shown:
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
            one["laid"] = rounded(s.laid)
        out.append(one)
    return out


def labels_data(named: Sequence[tuple[str, int]], stages: Mapping[str, Stage], order: Mapping[str, int]) -> list[Json]:
    """Return the names that stand on the stage."""
    return [
        {"specimen": order[name], "part": p, "text": short_names(stages[name].specimen.account)[p]}
        for name, p in named
        if p in stages[name].parts
    ]


def clip_data(clip: tuple[Sequence[float], float] | None) -> Json | None:
    """Return a plane that cuts away, None where there is none."""
    return None if clip is None else {"normal": rounded(clip[0]), "reach": round(clip[1], 4)}


def scene_data(scene: Scene, stages: Mapping[str, Stage], order: Mapping[str, int], slices: Slices) -> Json:
    """Return a scene as the player takes it."""
    return {
        **eye_data(scene.eye),
        "lift": scene.lift_mm,
        "shown": shown_data(scene.shown, stages, order),
        "labels": labels_data(scene.named, stages, order),
        "clip": clip_data(scene.clip),
        "slice": slices.number(stages[scene.shown[0].specimen], scene.cut),
    }


_STEPS = """<p id="of">{title}, <span id="count"></span></p>
<div aria-live="polite"><h1 id="title"></h1><div id="narration"></div></div>
<section id="ask" hidden aria-live="polite"></section><p id="score" aria-live="polite"></p>
<nav aria-label="Steps"><button id="back" type="button">Back</button><button id="next" type="button">Next</button>
<button id="present" type="button" aria-keyshortcuts="P">Present</button></nav>
<ol id="steps"></ol>
<p id="keys">{keys}</p>"""
_STEP_KEYS = (
    "Keys: arrows go on and back, Shift with arrows turns, + and − bring nearer and farther, R returns, P presents. "
    "Drag to turn; two fingers or the wheel bring nearer."
)


def page(data: Json, body: str = "", most_bytes: int = MOST_BYTES) -> str:
    """Return the page that plays a lesson, a spotter or a talk.

    Parameters
    ----------
    body
        What stands beside the stage, escaped already; that of lessons and spotters where left out.
    """
    e = html.escape
    body = body or _STEPS.format(title=e(data["title"]), keys=_STEP_KEYS)
    script = _held("lesson.js").replace("</script", "<\\/script").replace("<!--", "<\\!--")
    style = _held("lesson.css")
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for mark in ("<", ">", "&", "\u2028", "\u2029"):
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    policy = (
        f"default-src 'none'; script-src {_digest(script)}; style-src {_digest(style)}; img-src data:; "
        "media-src blob:; base-uri 'none'; form-action 'none'"
    )
    cautions = " ".join(CAUTIONS)
    what = "talk" if data["kind"] == "talk" else "step"
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
<div id="scale" role="img" aria-label="Scale bar"></div><p id="named" aria-live="polite"></p><p id="caption" hidden></p>
<button id="return" type="button" hidden>Return to the {what}</button></div>
<main id="panel">
{body}
<p id="note">{e(data["note"])} {e(cautions)}</p>
<noscript>This page draws the skull with a program of its own; allow scripts to see it.</noscript>
</main>
<script type="application/json" id="lesson-data">{text}</script>
<script>{script}</script>
</body>
</html>
"""
    if len(out.encode()) > most_bytes:
        raise OssicleError(
            f"the page would have {len(out.encode()) / 1e6:.0f} MB, more than {most_bytes / 1e6:.0f}",
            where=str(data["title"]),
            mend="show fewer specimens or take a smaller --triangles",
        )
    return out


def _held(name: str) -> str:
    return files("ossicle.publish").joinpath("page", name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return f"'sha256-{content_hash(text)}'"
