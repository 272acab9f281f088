"""What is seen: the stage compared loosely with pictures looked at by us; nothing overlaps; nothing is black.

Pictures are kept small and grey, and compared by their mean difference, so that fonts and rounding do not matter. To
take them anew after looking at them: OSSICLE_TAKE_PICTURES=1.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsing import Desk, Reader
from PIL import Image

pytestmark = pytest.mark.browser
PICTURES = Path(__file__).parent / "pictures"
SMALL = (120, 92)
MOST_OFF = 0.02
"""Mean difference of grey, 0 to 1, that passes: measured 0.000 against itself, 0.028 and more between views."""

SPOTS = """fetch('/api/specimens/1').then(r => r.json()).then(s => Object.fromEntries(s.account.teeth.map(t =>
  [`${t.jaw} ${t.class} ${t.part}`, ossicleStage.project(s.parts.find(p => p.part === t.part).centroid_skull_mm)])))"""
CUT = """[...document.querySelectorAll('button, h1, h2, legend, label, output')].filter(e =>
  e.clientWidth > 0 && e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== 'visible'
  && e.textContent.trim() !== '' && !e.closest('.hidden') && getComputedStyle(e).clipPath === 'none'
).map(e => e.outerHTML.slice(0, 120))"""
BOXES = """q => [...document.querySelectorAll(q)].map(t => {
  const b = t.getBoundingClientRect();
  return [b.left, b.top, b.right, b.bottom];
})"""

ROOM = 3
"""Pixels by which boxes may overlap in height: those of text are taller than its letters."""

VIEWS = {
    "lateral": "",
    "dorsal": "eye=0,-1,0;0,0,1;0,0,-11;44",
    "veiled": "bone=0.25",
    "lower": "pose=lower&eye=0,-1,0;0,0,1;0,-4,-11;30",
    "apart": "bone=0&lift=4",
    "scan": "bone=0.3&drawing=scan",
}


def _stage(reader: Reader) -> Image.Image:
    shot = reader.page.locator(".stage-canvas").screenshot()
    return Image.open(io.BytesIO(shot)).convert("L")


def _opened(desk: Desk, reader: Reader, query: str) -> None:
    reader.page.goto("about:blank")
    reader.open(f"{desk.url}#/1?{query}")
    if "drawing=scan" in query:
        reader.until("window.ossicleStage.casting !== null")
        reader.settled()


def test_the_stage_looks_as_it_did(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    off = {}
    for view, query in VIEWS.items():
        _opened(desk, one, query)
        picture = _stage(one).resize(SMALL, Image.Resampling.BOX)
        kept = PICTURES / f"{view}.png"
        if os.environ.get("OSSICLE_TAKE_PICTURES"):
            PICTURES.mkdir(exist_ok=True)
            picture.save(kept, optimize=True)
        off[view] = _apart(picture, Image.open(kept))
    assert {view: value for view, value in off.items() if value >= MOST_OFF} == {}


def test_kept_pictures_differ_from_one_another() -> None:
    """So that a view that is drawn as another one fails."""
    kept = {view: Image.open(PICTURES / f"{view}.png") for view in VIEWS}
    pairs = [(a, b) for a in kept for b in kept if a < b]
    assert {(a, b) for a, b in pairs if _apart(kept[a], kept[b]) < 1.3 * MOST_OFF} == set()


def _apart(one: Image.Image, two: Image.Image) -> float:
    return float(np.abs(np.asarray(one, float) - np.asarray(two, float)).mean() / 255)


def test_the_skull_stands_upright_with_its_snout_to_the_left(desk: Desk, reader: Callable[..., Reader]) -> None:
    one = reader()
    one.open(f"{desk.url}#/1")
    spots = one.page.evaluate(SPOTS)
    heights = {jaw: [s["y"] for key, s in spots.items() if key.startswith(jaw)] for jaw in ("upper", "lower")}
    assert max(heights["upper"]) < min(heights["lower"])
    fronts = [s["x"] for key, s in spots.items() if "incisor" in key]
    backs = [s["x"] for key, s in spots.items() if "molar" in key and "premolar" not in key]
    assert max(fronts) < min(backs)


def test_surfaces_face_outward(desk: Desk, reader: Callable[..., Reader]) -> None:
    """Were the winding wrong, one would look into the far walls: the nearest point hit would not be drawn nearest."""
    one = reader()
    one.open(f"{desk.url}#/1")
    sides = one.page.evaluate(
        """(() => { const s = ossicleStage.skulls[0].surfaces; let out = 0, all = 0;
        for (const p of s.pieces) { const c = p.low.clone().add(p.high).multiplyScalar(0.5);
          for (let i = p.start; i < p.start + p.count; i += 30) {
            const v = k => [0, 1, 2].map(a => s.positions[3 * s.index[i + k] + a]);
            const [a, b, d] = [v(0), v(1), v(2)]; const u = b.map((x, k) => x - a[k]), w = d.map((x, k) => x - a[k]);
            const n = [u[1]*w[2]-u[2]*w[1], u[2]*w[0]-u[0]*w[2], u[0]*w[1]-u[1]*w[0]];
            const g = [0, 1, 2].map(k => s.normals[4 * s.index[i] + k]);
            all += 1; if (n[0]*g[0] + n[1]*g[1] + n[2]*g[2] > 0) out += 1; } }
        return out / all; })()"""
    )
    assert sides > 0.97


@pytest.mark.parametrize("size", [(1280, 800), (3840, 2160)])
def test_nothing_overlaps_and_nothing_runs_out(
    desk: Desk, reader: Callable[..., Reader], size: tuple[int, int]
) -> None:
    one = reader(width=size[0], height=size[1])
    one.open(f"{desk.url}#/1")
    one.page.locator("#finding-dentition_upper-right_in-crypts .sentence").click()
    one.until("document.querySelectorAll('.name text').length > 0")
    _nothing_overlaps(one)
    one.keys("Escape", "b")
    one.until("document.querySelector('.others') !== null")
    _nothing_overlaps(one)


def _nothing_overlaps(one: Reader) -> None:
    assert one.page.evaluate(
        "document.documentElement.scrollWidth <= innerWidth && document.body.scrollHeight <= innerHeight"
    )
    places = one.page.evaluate(BOXES, ".account, .stage, .margin, .rows")
    assert _overlapping(places) == []
    for q in (".slot text", ".poses button", ".name text", ".tooth-card button"):
        boxes = one.page.evaluate(BOXES, q)
        assert _overlapping(boxes) == [], q
    cut = one.page.evaluate(CUT)
    assert cut == []


def _overlapping(boxes: list[list[float]]) -> list[tuple[Any, Any]]:
    return [
        (boxes[i], boxes[j])
        for i, a in enumerate(boxes)
        for j, b in enumerate(boxes[:i])
        if a[0] < b[2] - 1 and b[0] < a[2] - 1 and a[1] < b[3] - ROOM and b[1] < a[3] - ROOM
    ]
