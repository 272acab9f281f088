"""The desk's page in Debian's chromium with software rendering: first views, evidence, and pictures a second.

``python -m benchmarks.desk_page --collection DIR`` takes a collection with read specimens (it is copied) and looks at
the one with most parts; without it, an invented specimen is made and read. Told are walls on this machine, as a person
before it would feel them: from the command to the page and to a stage that can be turned, for a cold and a warm server;
from choosing a finding to its evidence drawn; and how many pictures a second are painted (and how much
processor the browser takes for each, as other work may share the machine) while the specimen is turned,
every part solid, bone veiled, and every part veiled. Needs chromium and playwright.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ossicle.collection import Collection

from .desk import Desk, made

FLAGS = ["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader",
         "--ignore-gpu-blocklist", "--disable-background-networking", "--no-first-run"]  # fmt: skip

LEARN = """async () => {
  for (let i = 0; i < 14; i++) {
    ossicleStage.turnBy(0.06, 0);
    await new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)));
  }
}"""
"""Turning while the stage learns how coarse to draw."""

TURN = """async () => {
  const stage = ossicleStage;
  const times = [];
  const begun = performance.now();
  let painted = 0;
  const before = stage.events.painted;
  stage.events.painted = () => { painted += 1; before(); };
  while (performance.now() - begun < 4000) {
    stage.turnBy(0.04, 0);
    await new Promise(done => requestAnimationFrame(done));
    times.push(...stage.frames.slice(-1));
  }
  stage.events.painted = before;
  return { painted, per_second: painted / (performance.now() - begun) * 1000, ms: times, scale: stage.movingScale,
    coarse: stage.coarse, size: [stage.width, stage.height] };
}"""


@contextmanager
def page_of(width: int, height: int) -> Iterator[Any]:
    """A page of a fresh browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        try:
            yield browser.new_page(viewport={"width": width, "height": height})
        finally:
            browser.close()


def browser_cpu_s() -> float:
    """Processor seconds so far of all processes that this one started, and of theirs, but for Python's."""
    parents: dict[int, int] = {}
    spent: dict[int, float] = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            name, _, rest = (folder / "stat").read_text().rpartition(")")
        except (OSError, ValueError):
            continue
        fields = rest.split()
        parents[int(folder.name)] = int(fields[1])
        if "python" not in name:
            spent[int(folder.name)] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def ours(number: int) -> bool:
        while number in parents:
            number = parents[number]
            if number == os.getpid():
                return True
        return False

    return sum(seconds for number, seconds in spent.items() if ours(number))


def until(page: Any, script: str, seconds: float = 120) -> None:
    """Wait until a script says something true."""
    end = time.perf_counter() + seconds
    while time.perf_counter() < end:
        if page.evaluate(script):
            return
        time.sleep(0.01)
    raise AssertionError(f"in vain: {script}")


def told(what: str, value: float, unit: str = "s", more: str = "") -> None:
    """Print one line."""
    print(f"{what:<58} {value:8.2f} {unit}{'  ' + more if more else ''}", flush=True)


STANDS = "window.ossicleStage !== undefined && ossicleStage.skulls.length === 1 && document.querySelector('.finding')"


def first_views(folder: Path, number: int, width: int, height: int) -> None:
    """From the command and from the address to a stage that can be turned."""
    with page_of(width, height) as page:
        page.goto("about:blank")
        begun = time.perf_counter()
        desk = Desk(folder)
        try:
            told("command to the page served", time.perf_counter() - begun)
            page.goto(desk.link)  # lets this browser in
            page.goto(f"{desk.address}#/{number}")
            until(page, STANDS)
            told(
                "command to a stage that can be turned",
                time.perf_counter() - begun,
                more=f"{desk.cpu_s():.1f} s of processor",
            )
            until(page, "document.querySelectorAll('.slot').length > 0 || document.querySelector('.rows-box .empty')")
            until(page, "ossicleStage.settled")
            told("command to everything drawn at its finest", time.perf_counter() - begun)
            warm = []
            for _ in range(3):
                begun = time.perf_counter()
                page.reload()
                until(page, STANDS)
                warm.append(time.perf_counter() - begun)
            told("loaded again, server warm, to a stage that can be turned", statistics.median(warm))
            evidence(page, desk, number)
            turning(page, desk, number)
        finally:
            desk.close()


CHOOSE = """async i => {
  const sentence = document.querySelectorAll('.finding .sentence')[i];
  const begun = performance.now();
  sentence.click();
  await new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)));
  ossicleStage.painter.done();
  return performance.now() - begun;
}"""
"""A finding is chosen; the wall until its evidence is drawn. (Painting is handed to the browser's process for graphics,
which is waited for by reading a pixel.)"""


def evidence(page: Any, desk: Desk, number: int) -> None:
    """From choosing a finding to its evidence drawn: with the stage at rest, as one reads sentence by sentence, and
    while the finest picture of the finding before is still being drawn."""
    until(page, "ossicleStage.settled")
    count = page.locator(".finding .sentence").count()
    for how in ("stage at rest", "stage still busy"):
        walls, spent = [], []
        for i in range(2, min(count, 24), 3):
            until(page, "ossicleStage.settled")
            if how == "stage at rest":
                page.evaluate("ossicleStage.painter.done()")
                time.sleep(0.3)
            before = browser_cpu_s()
            walls.append(page.evaluate(CHOOSE, i))
            spent.append(1000 * (browser_cpu_s() - before))
        told(
            f"finding chosen to its evidence drawn, {how}, median",
            statistics.median(walls),
            "ms",
            f"{max(walls):.0f} ms at most; {statistics.median(spent):.0f} ms of the browser's processor",
        )


def turning(page: Any, desk: Desk, number: int) -> None:
    """Pictures a second while turning."""
    parts = json.loads(desk.bytes(f"api/specimens/{number}"))["parts"]
    for name, query in (
        ("all solid", ""),
        ("bone veiled", "?bone=0.3"),
        (
            "every part veiled",
            "?bone=0.3&groups=tooth:v,crypt_crown:v,enamel:v,ossicle:v,fragment:v,cavity:v,opening:v",
        ),
    ):
        page.goto("about:blank")
        page.goto(f"{desk.address}#/{number}{query}")
        until(page, STANDS + " && ossicleStage.settled")
        page.evaluate(LEARN)
        spent = browser_cpu_s()
        found = page.evaluate(TURN)
        spent = 1000 * (browser_cpu_s() - spent) / max(1, found["painted"])
        drawn = page.evaluate(
            "['solid', 'bone', 'other'].map(l => ossicleStage.skulls[0].groups[l].children[0])"
            ".map(mesh => mesh.geometry.drawRange.count / 3)"
        )
        more = (
            f"{statistics.median(found['ms']):.0f} ms a picture, {spent:.0f} ms of processor, "
            f"layers at {found['scale']:.2f} of the stage's "
            f"{found['size'][0]} x {found['size'][1]}{', coarse surfaces' if found['coarse'] else ''}, "
            f"{sum(drawn):.0f} triangles, {len(parts)} parts"
        )
        told(f"turning, {name}", found["per_second"], "pictures a second", more)


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--collection", type=Path)
    parser.add_argument("--preset", default="carnivore-like-juvenile")
    parser.add_argument("--voxel", type=float, default=0.13)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--size", type=int, nargs=2, default=(1280, 800))
    asked = parser.parse_args()
    os.environ.setdefault("OSSICLE_PERSON", "A. Reader")
    with tempfile.TemporaryDirectory(prefix="ossicle-desk-") as place:
        source = asked.collection or made(Path(place), asked.preset, asked.voxel, asked.threads)
        folder = Path(shutil.copytree(source, Path(place) / "copy"))
        with Collection.open(folder) as held:
            read = {s.id: held.reading(f"#{s.id}") for s in held.specimens(per_page=100).items if s.readings}
        number = max(read, key=lambda n: len(read[n].reading.parts))
        shape = " x ".join(map(str, read[number].facts.shape_zyx))
        print(f"scan of {shape} voxels, page {asked.size[0]} x {asked.size[1]}, load {os.getloadavg()[0]:.1f}")
        first_views(folder, number, *asked.size)


if __name__ == "__main__":
    main()
