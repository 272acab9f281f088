"""A talk of three minutes at the desk, recorded in Debian's chromium from its fake microphone, and its page replayed.

    python -m benchmarks.talk --collection DIR [--number 1] [--seconds 180]

The collection (with a read specimen; it is copied) is shown at the real server. All the while the stage is turned,
findings are chosen, bone is veiled and parts are lifted. Told are: how far voice and stage are apart as recorded (by
the beeps of the fake microphone and by the pictures painted, both by the page's clock; beeps come each half second, so
more than a quarter of a second cannot be told), the size of the page, how far the stage lags behind the voice while it
replays, ten random moments at which the skull is taken in hand and given back, and what a browser that is closed in
mid-recording loses. Software rendering; needs chromium and playwright.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from .desk import Desk
from .desk_page import FLAGS

__all__ = ["HEARD", "LAGS", "PAINTS", "WATCH", "apart_ms", "first_picture_s", "taken_and_given_back"]

SPEAKING = ["--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"]
WATCH = """(() => { const media = navigator.mediaDevices; if (!media) return;
  const ask = media.getUserMedia.bind(media);
  window.beeps = []; window.paints = [];
  media.getUserMedia = async wanted => { const stream = await ask(wanted); const sound = new AudioContext();
    const meter = sound.createAnalyser(); meter.fftSize = 256; sound.createMediaStreamSource(stream).connect(meter);
    const wave = new Float32Array(256); let was = false;
    setInterval(() => { meter.getFloatTimeDomainData(wave); const on = wave.some(v => Math.abs(v) > 0.05);
      if (on && !was) window.beeps.push(performance.now()); was = on; }, 4);
    return stream; }; })()"""
"""Notes when the microphone beeps, by the clock of the page."""
PAINTS = """() => { const stage = window.ossicleStage, told = stage.tell(), before = told.painted;
  told.painted = () => { window.paints.push([performance.now(), stage.eye.look.toArray()]); before(); }; }"""
"""Notes what the stage showed when, by the same clock."""
HEARD = """async url => { const data = await (await fetch(url)).arrayBuffer();
  const sound = await new AudioContext().decodeAudioData(data); const wave = sound.getChannelData(0);
  const out = []; let quiet = 1e9;
  for (let n = 0; n < wave.length; n++) { if (Math.abs(wave[n]) > 0.05) {
    if (quiet > 0.1 * sound.sampleRate) out.push(1000 * n / sound.sampleRate); quiet = 0; } else quiet++; }
  return out; }"""
"""When the recorded voice beeps, ms from its beginning."""
LAGS = """() => { const t = window.lessonTalk, told = t.show.stage.tell(), before = told.painted; window.lags = [];
  told.painted = () => { before(); if (t.clock.runs) window.lags.push(t.clock.now - t.shownAt); }; }"""
"""Notes with each picture painted how far the voice has gone beyond what it shows, ms."""
_HELD = "(t => [t.clock.now, t.clock.runs, t.show.stage.eye.look.toArray()])(window.lessonTalk)"
_BACK = """(t => { t.clock.stop(); t.go(t.clock.now); const e = t.track.eye(t.clock.now, false, d => t.eyeOf(d));
  return [t.clock.now, t.shownAt, t.show.stage.eye.look.toArray(), e.look.toArray()]; })(window.lessonTalk)"""


def apart_ms(
    heard: Sequence[float],
    beeps: Sequence[float],
    paints: Sequence[tuple[float, Sequence[float]]],
    events: Sequence[dict[str, Any]],
) -> list[float]:
    """Return for each beep of the recorded voice how much later it stands than the stage's record of that moment, ms.

    Beeps come each half second; those that the page did not notice, busy with painting, are left out.

    Parameters
    ----------
    heard
        When the voice beeps, ms from the beginning of the section.
    beeps, paints
        By the page's clock: when the microphone beeped, and what direction of view was painted.
    events
        Changes of the stage as recorded.
    """
    shown: dict[tuple[float, ...], float] = {}
    for at, look in paints:
        shown.setdefault(tuple(round(v, 3) for v in look), at)
    seen = [(float(e["t"]), tuple(round(v, 3) for v in e["eye"]["look"])) for e in events if "eye" in e]
    begun = [shown[look] - t for t, look in seen if look in shown][1:]  # the first was shown before it began
    if len(begun) < 2:
        raise ValueError("too little was painted to tell")
    began = statistics.median(begun)
    nearest = (min((began + h - b for b in beeps), key=abs) for h in heard)
    return [apart for apart in nearest if abs(apart) < 250]


def taken_and_given_back(page: Any, moments_ms: Sequence[float]) -> list[dict[str, float]]:
    """Take the skull in hand at moments of a talk that runs, and give it back; return what became of each.

    ``held_ms`` where the talk waited, ``back_ms`` where it stood once given back and stopped, ``off`` how far the
    direction of view then is from that of the talk, ``moved`` how far it had been taken.
    """
    out = []
    for n, moment in enumerate(moments_ms):
        page.evaluate(f"window.lessonTalk.go({moment})")
        if not page.evaluate("window.lessonTalk.clock.runs"):
            page.evaluate("window.lessonTalk.toggle()")
        _until(page, "window.lessonTalk.clock.runs")
        page.mouse.move(200, 200)
        page.mouse.down()
        page.mouse.move(260, 230, steps=3)
        page.mouse.up()
        held, runs, look = page.evaluate(_HELD)
        if runs or not page.locator("#return").is_visible():
            raise ValueError("the talk went on in the listener's hands")
        if n % 2:
            page.locator("#return").click()
        else:
            page.keyboard.press("r")
        _until(page, "window.lessonTalk.clock.runs")
        back, shown, eye, wanted = page.evaluate(_BACK)
        out.append(
            {
                "held_ms": held,
                "back_ms": back,
                "shown_ms": shown,
                "off": sum((a - b) ** 2 for a, b in zip(eye, wanted, strict=True)) ** 0.5,
                "moved": sum((a - b) ** 2 for a, b in zip(look, wanted, strict=True)) ** 0.5,
            }
        )
    return out


def first_picture_s(file: Path, width: int = 1280, height: int = 800) -> float:
    """Return how long a page from a disk takes to its first picture, s, the browser being there already."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
        page = context.new_page()
        page.goto("about:blank")
        begun = time.perf_counter()
        page.goto(file.as_uri(), wait_until="commit")
        _until(page, "document.documentElement.dataset.ready === 'yes' && window.lessonShow.stage.view !== null")
        took = time.perf_counter() - begun
        browser.close()
        return took


def _until(page: Any, script: str, seconds: float = 120) -> None:
    end = time.monotonic() + seconds
    while not page.evaluate(script):
        if time.monotonic() > end:
            raise TimeoutError(script)
        time.sleep(0.01)


def _opened(browser: Any, desk: Desk, first: str, number: int) -> Any:
    page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
    page.goto(first)
    page.goto("about:blank")
    page.add_init_script(WATCH)
    page.goto(f"{desk.address}#/{number}?leaf=talk")
    _until(page, "window.ossicleStage?.skulls.length === 1 && window.ossicleStage.settled")
    page.evaluate(PAINTS)
    return page


def _talked(page: Any, seconds: float) -> None:
    """Turn, choose, veil and lift for so long."""
    draw = random.Random(3)
    end = time.monotonic() + seconds
    canvas = page.locator(".stage-canvas")
    while time.monotonic() < end:
        kind = draw.randrange(4)
        if kind == 0:
            box = canvas.bounding_box()
            page.mouse.move(box["x"] + 150, box["y"] + 200)
            page.mouse.down()
            for n in range(12):
                page.mouse.move(box["x"] + 150 + 8 * n, box["y"] + 200 + 2 * n)
                page.wait_for_timeout(40)
            page.mouse.up()
        elif kind == 1:
            some = page.locator(".sentence")
            some.nth(draw.randrange(some.count())).click()
        else:
            canvas.focus()
            page.keyboard.press(draw.choice(["[", "]", "l", "L", "1", "4", "ArrowLeft", "+", "-"]))
        page.wait_for_timeout(draw.randrange(400, 1800))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--collection", type=Path, required=True)
    parser.add_argument("--number", type=int, default=1, help="of the specimen in its collection")
    parser.add_argument("--seconds", type=float, default=180)
    words = parser.parse_args()
    from playwright.sync_api import sync_playwright

    out: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as place:
        cabinet = Path(shutil.copytree(words.collection, Path(place) / "cabinet"))
        shutil.rmtree(cabinet / "talks", ignore_errors=True)
        desk = Desk(cabinet)
        catalogue = desk.json(f"api/specimens/{words.number}")["specimen"]["catalogue_number"]
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=[*FLAGS, *SPEAKING])
                page = _opened(browser, desk, desk.link, words.number)
                page.get_by_role("button", name="Record a new talk").click()
                _until(page, "document.querySelector('.recording') !== null")
                _talked(page, words.seconds)
                page.get_by_role("button", name="End the section").click()
                _until(page, "document.querySelector('.recording') === null")
                (talk,) = (cabinet / "talks" / str(words.number)).iterdir()
                (section,) = (p for p in talk.iterdir() if p.is_dir())
                events = [e for f in sorted(section.glob("*.json")) for e in json.loads(f.read_text())["events"]]
                url = f"/api/specimens/{words.number}/talks/{talk.name}/sections/{section.name}/voice.webm"
                beeps, paints = page.evaluate("[window.beeps, window.paints]")
                apart = sorted(abs(a) for a in apart_ms(page.evaluate(HEARD, url), beeps, paints, events))
                out["recorded"] = {
                    "events": len(events),
                    "events_bytes": sum(f.stat().st_size for f in section.glob("*.json")),
                    "voice_bytes": sum(f.stat().st_size for f in section.glob("*.webm")),
                    "beeps": len(apart),
                    "apart_median_ms": round(statistics.median(apart), 1),
                    "apart_most_ms": round(apart[-1], 1),
                }
                page.context.close()
                page = _opened(browser, desk, desk.link, words.number)
                page.get_by_role("button", name="Record a further section").click()
                _until(page, "document.querySelector('.recording') !== null")
                begun = time.monotonic()
                _talked(page, 9)
                spoken = time.monotonic() - begun
                page.context.close()
                kept = desk.json(f"api/specimens/{words.number}/talks")[0]["sections"][1]
                out["closed in mid-recording"] = {
                    "spoken_s": round(spoken, 1),
                    "lost_s": round(spoken - kept["length_ms"] / 1000, 1),
                }
                browser.close()
        finally:
            desk.close()
        file = Path(place) / "talk.html"
        made = [sys.executable, "-m", "ossicle", "talk", catalogue, "--in", str(cabinet), "--out", str(file), "--json"]
        told = json.loads(subprocess.run(made, capture_output=True, text=True, check=True).stdout)
        out["page"] = {"bytes": file.stat().st_size, "length_s": told["length_s"], "chapters": len(told["chapters"])}
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
            page = browser.new_context(viewport={"width": 1280, "height": 800}, offline=True).new_page()
            page.goto(file.as_uri())
            _until(page, "document.documentElement.dataset.ready === 'yes'")
            page.evaluate(LAGS)
            page.get_by_role("button", name="Play", exact=True).click()
            page.wait_for_timeout(30_000)
            lags = sorted(page.evaluate("window.lags"))
            out["replayed 30 s"] = {
                "pictures": len(lags),
                "lag_median_ms": round(statistics.median(lags), 1),
                "lag_p95_ms": round(lags[int(0.95 * len(lags))], 1),
                "lag_most_ms": round(lags[-1], 1),
            }
            draw = random.Random(5)
            rounds = taken_and_given_back(page, [draw.uniform(1000, 1000 * told["length_s"] - 8000) for _ in range(10)])
            out["taken in hand and back"] = {
                "times": len(rounds),
                "most_lost_ms": round(max(r["back_ms"] - r["held_ms"] for r in rounds), 1),
                "most_off": round(max(r["off"] for r in rounds), 6),
            }
            browser.close()
    print(json.dumps(out, indent=1))


if __name__ == "__main__":
    main()
