"""The desk: how long until a stage can be used, how large its surfaces are, how long slices and decisions take.

``python -m benchmarks.desk`` makes an invented specimen, takes it in, reads it, and asks the server that the command
``ossicle desk`` starts. Times are walls on this machine (median of several; the first of a decision apart, as it loads
models) with the processor's own seconds of the server beside them, as other work may share the machine.
``--collection DIR`` takes a collection whose first specimen has been read; it is copied.

Then the local reading is set against the whole one: each tooth of a reading is taken away and pointed at again, and cut
in two and joined; told is how well the voxels agree (Dice) and whether the name comes back.
"""

from __future__ import annotations

import argparse
import gzip
import json
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from ossicle.collection import Collection, KeptReading
from ossicle.reading.hints import Join, MissedTooth
from ossicle.reading.local import read_again
from ossicle.reading.tally import boxes_of
from ossicle.scans import Scan

ROOT = Path(__file__).resolve().parent.parent


class Desk:
    """The command, in a process of its own."""

    def __init__(self, folder: Path) -> None:
        begun = time.perf_counter()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "ossicle", "desk", str(folder), "--no-browser", "--threads", "2"],
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT / "src")},
        )
        assert self.process.stderr is not None
        found = re.search(r"(http://\S+/)\?key=\S+", self.process.stderr.readline())
        assert found
        self.address, self.link = found[1], found[0]
        self.web = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
        with self.web.open(found[0], timeout=600) as answer:
            page = answer.read()
        self.page_s = time.perf_counter() - begun
        token = re.search(rb"desk-token[\"'] content=[\"']([^\"']+)", page)
        assert token
        self.token = token[1].decode()

    def bytes(self, path: str, body: dict[str, Any] | None = None) -> bytes:
        request = urllib.request.Request(self.address + path)
        if body is not None:
            request.data = json.dumps(body).encode()
            request.add_header("content-type", "application/json")
            request.add_header("x-ossicle-desk", self.token)
        with self.web.open(request, timeout=600) as answer:
            data: bytes = answer.read()
            return data

    def json(self, path: str, body: dict[str, Any] | None = None) -> Any:
        return json.loads(self.bytes(path, body))

    def cpu_s(self) -> float:
        """Processor seconds of the server so far."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(timeout=60)


def timed(desk: Desk, action: Callable[[], Any], runs: int = 1) -> tuple[float, float, Any]:
    """Return the median wall and processor seconds of an action, and what it gave last."""
    walls, cpus, out = [], [], None
    for _ in range(runs):
        wall, cpu = time.perf_counter(), desk.cpu_s()
        out = action()
        walls.append(time.perf_counter() - wall)
        cpus.append(desk.cpu_s() - cpu)
    return statistics.median(walls), statistics.median(cpus), out


def told(what: str, wall: float, cpu: float | None = None, more: str = "") -> None:
    """Print one line."""
    own = "" if cpu is None else f", {cpu:.2f} s of processor"
    print(f"{what:<58} {wall:8.3f} s{own}{'  ' + more if more else ''}", flush=True)


def made(place: Path, preset: str, voxel: float, threads: int) -> Path:
    """Make a collection with one invented specimen, read."""
    ossicle = [sys.executable, "-m", "ossicle"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "src"), "OSSICLE_PERSON": "A. Keeper"}
    for words in (
        ["practice", "make", preset, "--out", str(place / "scan"), "--voxel", str(voxel), "--seed", "861"],
        ["intake", str(place / "scan"), "--into", str(place / "cabinet"), "--term", "catalogNumber=OTC 1"],
        ["read", "OTC 1", "--in", str(place / "cabinet"), "--threads", str(threads)],
    ):
        subprocess.run([*ossicle, *words], check=True, env=environment, stdout=subprocess.DEVNULL)
    return place / "cabinet"


def served(folder: Path, number: int) -> None:
    """Time the server."""
    shutil.rmtree(folder / "drawn", ignore_errors=True)
    desk = Desk(folder)
    try:
        here = f"api/specimens/{number}"
        specimen = desk.json(here)
        shape = " x ".join(map(str, specimen["scan"]["shape_zyx"]))
        print(
            f"scan of {shape} voxels, {len(specimen['parts'])} parts, {len(specimen['account']['findings'])} findings"
        )
        wall, cpu, data = timed(desk, lambda: desk.bytes(specimen["surfaces_url"].lstrip("/")))
        triangles = triangles_of(data)
        size = f"{len(data) / 1e6:.2f} MB ({len(gzip.compress(data, 5)) / 1e6:.2f} by gzip), {triangles} triangles"
        told("surfaces, made", wall, cpu, size)
    finally:
        desk.close()

    desk = Desk(folder)
    try:
        told("command to the page, surfaces kept", desk.page_s, desk.cpu_s())
        begun, spent = time.perf_counter(), desk.cpu_s()
        desk.json("api/specimens")
        specimen = desk.json(here)
        desk.bytes(specimen["surfaces_url"].lstrip("/"))
        first = time.perf_counter() - begun
        told("from there: list, specimen, surfaces", first, desk.cpu_s() - spent)
        told("command to all that a stage needs", desk.page_s + first, desk.cpu_s())
        told("specimen again", *timed(desk, lambda: desk.json(here), 5)[:2])
        told("rows", *timed(desk, lambda: desk.json(f"{here}/rows"), 5)[:2])
        wall, cpu, data = timed(desk, lambda: desk.bytes(f"{here}/volume?edge=192"), 3)
        told("volume for ray casting, edge 192", wall, cpu, f"{len(data) / 1e6:.1f} MB")
        planes = {p["key"]: p for p in desk.json(f"{here}/planes")}
        plane = planes["midplane"]
        query = "&".join(
            [
                *(
                    f"{k}={','.join(map(str, plane[n]))}"
                    for k, n in (("origin", "origin_scan_mm"), ("u", "u"), ("v", "v"))
                ),
                f"width={plane['width_mm']}&height={plane['height_mm']}&px=900",
            ]
        )
        told("first slice (reads the scan)", *timed(desk, lambda: desk.bytes(f"{here}/slice.png?{query}"))[:2])
        told("slice of 900 pixels", *timed(desk, lambda: desk.bytes(f"{here}/slice.png?{query}"), 7)[:2])
        told("its outlines", *timed(desk, lambda: desk.json(f"{here}/slice.json?{query}"), 5)[:2])
        told("row strip", *timed(desk, lambda: desk.bytes(f"{here}/strips/upper_left.png?px_per_mm=9"))[:2])
        decisions(desk, here, specimen)
    finally:
        desk.close()


def decisions(desk: Desk, here: str, specimen: dict[str, Any]) -> None:
    """Time decisions; each is taken back again."""
    scan_to_skull = np.asarray(specimen["scan"]["scan_to_skull"])
    back = np.linalg.inv(scan_to_skull)
    teeth = [t for t in specimen["account"]["teeth"] if t["class"] in ("molar", "premolar") and t["volume_mm3"]]
    teeth = sorted(teeth, key=lambda t: -t["volume_mm3"])[:4]

    def decide(**said: Any) -> dict[str, Any]:
        answer: dict[str, Any] = desk.json(f"{here}/decisions", said)
        return answer

    agree = timed(desk, lambda: decide(kind="agree", finding="formula/counts"), 5)
    told("agree", *agree[:2])
    told("rename", *timed(desk, lambda: decide(kind="rename", part=teeth[0]["part"], locus=teeth[0]["name"]), 3)[:2])
    for _ in range(8):
        desk.json(f"{here}/undo", {})
    walls: dict[str, list[tuple[float, float]]] = {"cut": [], "join": [], "undo": []}
    for n, tooth in enumerate(teeth):
        up, view = back[:3, :3] @ [0, 1, 0], back[:3, :3] @ [-1, 0, 0]
        middle = np.array(tooth["centroid_mm_xyz"])
        stroke = [list(middle - 3 * up), list(middle + 3 * up)]
        known = {p["part"] for p in specimen["parts"]}
        said = {"kind": "cut", "part": tooth["part"], "stroke": stroke, "view": list(view)}
        try:
            wall, cpu, after = timed(desk, partial(decide, **said))
        except urllib.error.HTTPError as refused:
            print(f"cut of {tooth['name']} refused: {json.loads(refused.read())['what']}")
            continue
        told("first cut (loads models)" if n == 0 else f"cut of {tooth['name']}", wall, cpu)
        new = [p["part"] for p in after["parts"] if p["part"] not in known]
        walls["cut"].append((wall, cpu))
        if new:
            wall, cpu, _ = timed(desk, partial(decide, kind="join", parts=[tooth["part"], new[0]]))
            walls["join"].append((wall, cpu))
            walls["undo"].append(timed(desk, lambda: desk.json(f"{here}/undo", {}))[:2])
        desk.json(f"{here}/undo", {})
    for kind, found in walls.items():
        some = found[1:] if kind == "cut" and len(found) > 1 else found
        if some:
            told(f"{kind}, median of {len(some)}", *(statistics.median(v) for v in zip(*some, strict=True)))


def triangles_of(data: bytes) -> int:
    """Count the triangles of a binary glTF."""
    length = int.from_bytes(data[12:16], "little")
    document = json.loads(data[20 : 20 + length])
    return sum(document["accessors"][p["indices"]]["count"] // 3 for m in document["meshes"] for p in m["primitives"])


def agreement(kept: KeptReading, scan: Scan) -> None:
    """Take each tooth away and point at it again; print how well what is read there agrees."""
    reading = kept.reading
    labels = np.asarray(reading.labels).astype(np.int32)
    boxes, spacing = boxes_of(labels), kept.facts.spacing_mm_zyx
    bone = next((p.part for p in reading.parts if p.kind == "bone"), 0)
    dice, named, joined, seconds = [], 0, 0, []
    for tooth in reading.teeth:
        gone = np.where(labels == tooth.part, bone, labels)
        without = replace(
            reading,
            labels=gone,
            teeth=tuple(t for t in reading.teeth if t.part != tooth.part),
            parts=tuple(p for p in reading.parts if p.part != tooth.part),
            observations=tuple(o for o in reading.observations if o.part != tooth.part),
        )
        begun = time.process_time()
        change = read_again(
            without,
            spacing,
            {p: b for p, b in boxes.items() if p != tooth.part},
            lambda box: np.asarray(scan.values[box]),
            MissedTooth(kept.inner[tooth.part][0]),
        )
        seconds.append(time.process_time() - begun)
        if change is None:
            dice.append(0.0)
            continue
        (part,) = change.changed
        new = np.asarray(change.reading.labels) == part
        own = labels == tooth.part
        dice.append(2 * float((own & new).sum()) / float(own.sum() + new.sum()))
        named += next(t.name for t in change.reading.teeth if t.part == part) == tooth.name
        # in two by its middle, and joined again
        halves = labels.copy()
        z = boxes[tooth.part][0]
        upper = own.copy()
        upper[: (z.start + z.stop) // 2] = False
        if not upper.any() or upper.sum() == own.sum():
            continue
        number = int(labels.max()) + 1
        halves[upper] = number
        points = [tuple(float(v) for v in (np.argwhere(m)[len(np.argwhere(m)) // 2] * spacing)[::-1])
                  for m in (own & ~upper, upper)]  # fmt: skip
        record = replace(tooth, part=number, volume_mm3=0.0)
        split = replace(reading, labels=halves, teeth=(*reading.teeth, record))
        again = read_again(
            split,
            spacing,
            boxes_of(halves),
            lambda box: np.asarray(scan.values[box]),
            Join((points[0], points[1])),  # type: ignore[arg-type]
        )
        joined += again is not None and bool(((np.asarray(again.reading.labels) == tooth.part) == own).all())
    print(
        f"of {len(dice)} teeth pointed at again: Dice {statistics.median(dice):.3f} (median), {min(dice):.3f} (least)"
    )
    print(f"{named} named as before; {statistics.median(seconds):.2f} s of processor each (median)")
    print(f"{joined} of {len(dice)} cut in two and joined are the very voxels again")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--collection", type=Path)
    parser.add_argument("--preset", default="carnivore-like-juvenile")
    parser.add_argument("--voxel", type=float, default=0.13)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--no-agreement", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="ossicle-desk-") as place:
        source = asked.collection or made(Path(place), asked.preset, asked.voxel, asked.threads)
        folder = Path(shutil.copytree(source, Path(place) / "copy"))
        with Collection.open(folder) as held:
            read = {s.id: held.reading(f"#{s.id}") for s in held.specimens(per_page=100).items if s.readings}
            number = max(read, key=lambda n: len(read[n].reading.teeth))
            kept = read[number]
            served(folder, number)
            if not asked.no_agreement:
                agreement(kept, held.scan(kept.scan))


if __name__ == "__main__":
    main()
