"""Decisions on a practice specimen, replayed on readings of other scans of the same animal: how many stay attached.

``python -m benchmarks.rereading --place FOLDER`` makes an invented specimen, reads it, makes about forty decisions of
all kinds, scans the same animal anew (other noise; laid otherwise; larger voxels), reads each scan twice (the first
reading shows where the scan lies, the second heeds what was decided on the first scan) and counts. What is in the
folder already is used again, so that a stopped run goes on.

A decision is *attached* where it holds, was overtaken by a later one, or awaits a new reading; or where its finding was
found and now says something else (an agreement to a measure that is read otherwise, which is listed). It is *lost*
where its structure or finding was not found, or the reading did not follow it; those are listed with the reason.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from ossicle.collection import (
    Add,
    Agree,
    Amend,
    Collection,
    Cut,
    Discard,
    Dispute,
    Fate,
    Join,
    PlaceLandmark,
    Redo,
    Rename,
    Replayed,
    SetGeneration,
    SetMidplane,
    SetSide,
    Undo,
    words_of,
)
from ossicle.errors import OssicleError
from ossicle.practice import build
from ossicle.practice.scanner import preset as scanner_preset
from ossicle.practice.scanner import scan_volume

NUMBER = "invented 1"
WHO = "A. Reader"
OTHERS = {
    "other noise": {"noise": 1.0},
    "half as much noise again": {"noise": 1.5},
    "laid 5 degrees otherwise": {"tilt": 0.77},
    "voxels 12 % larger": {"voxel": 1.12},
}
REGIONS = ("formula", "stage", "palate", "jaw", "ear", "braincase", "measurements", "replacement")


def write_stack(folder: Path, values: Any, spacing: Any) -> None:
    """Write a stack of slices with its sidecar."""
    folder.mkdir(parents=True)
    for i, page in enumerate(values):
        tifffile.imwrite(folder / f"slice_{i:04d}.tif", page)
    (folder / "scan.json").write_text(json.dumps({"spacing_mm_zyx": list(spacing)}))


def make_scans(place: Path, preset: str, seed: int, voxel: float, wanted: list[str]) -> None:
    """Make the first scan, with the place of every tooth that the animal has, and the others."""
    if not (place / "first").is_dir():
        how = scanner_preset("typical", voxel)
        made = build(preset, seed=seed, voxel_mm=voxel, settings=how, threads=1)
        shares = {m: (v * np.float16(1 / 255)).astype(np.float16) for m, v in made.specimen.mix.share.items()}
        for name in wanted:
            if "noise" in OTHERS[name] and not (place / name).is_dir():
                louder = replace(how, noise=how.noise * OTHERS[name]["noise"])
                rng = np.random.default_rng([seed, 99])
                scan = scan_volume(
                    shares, made.spacing_mm_zyx, louder, rng, density=made.specimen.mix.density, threads=1
                )
                write_stack(place / name, scan.values, made.spacing_mm_zyx)
        from ossicle.collection.anchors import inner_points

        deep = inner_points(made.labels.astype(np.int32), made.spacing_mm_zyx)
        teeth = {int(t["label"]): deep[int(t["label"])][0] for t in made.truth["teeth"] if int(t["label"]) in deep}
        (place / "truth.json").write_text(json.dumps(teeth))
        write_stack(place / "first", made.values, made.spacing_mm_zyx)
    for name in wanted:
        if not (place / name).is_dir():
            to = OTHERS[name]
            voxel_mm = voxel * to.get("voxel", 1.0)
            made = build(
                preset, seed=seed, voxel_mm=voxel_mm, settings=scanner_preset("typical", voxel_mm),
                tilt_deg=22.0 * to.get("tilt", 1.0), threads=1,
            )  # fmt: skip
            write_stack(place / name, made.values, made.spacing_mm_zyx)


def read(cabinet: Collection, folder: Path, times: int) -> list[int]:
    """Take a scan in and read it so often; return the numbers of its readings."""
    key = cabinet.take_in(folder, {"catalogNumber": NUMBER}, threads=1)[0].scan_key
    while True:
        done = [r.number for r in cabinet.readings(NUMBER) if r.scan_key == key]
        if len(done) >= times:
            return done
        job = cabinet.work_on(cabinet.queue(NUMBER, scan=key, threads=1).id)
        print(f"read {folder.name}: {job.state} {job.message}", flush=True)
        if job.state != "done":
            raise SystemExit(1)


def sayings(cabinet: Collection, truth: dict[int, Any]) -> Iterator[Any]:
    """Yield what is said of the first reading: about forty things of all kinds."""
    replayed = cabinet.replayed(NUMBER, reading=1)
    kept = cabinet.reading(NUMBER, 1)
    structures, account = kept.structures(), replayed.account
    teeth = sorted(account.teeth, key=lambda t: t.centroid_mm_xyz)
    ids = {f.evidence.parts[0]: f.id for f in account.findings if f.region == "teeth" and f.evidence.parts}
    middle = {t.part: structures.anchor(t.part).points_mm[0] for t in teeth}
    large = sorted((t for t in teeth if t.emergence == "erupted"), key=lambda t: -t.volume_mm3)
    cut, gone = large[0], min(teeth, key=lambda t: t.confidence)
    join = next(
        (a, b) for a in large[1:] for b in large[1:]
        if a.part < b.part and (a.jaw, a.side) == (b.jaw, b.side) and {a.part, b.part}.isdisjoint({gone.part})
        and np.linalg.norm(np.subtract(a.centroid_mm_xyz, b.centroid_mm_xyz)) < 1.2 * (a.length_mm + b.length_mm) / 2
    )  # fmt: skip
    rest = [t for t in teeth if t.part not in {cut.part, gone.part, join[0].part, join[1].part}]
    for n, tooth in enumerate(rest[:: max(1, len(rest) // 24)][:24]):
        if n % 6 == 0:
            yield Rename(middle[tooth.part], tooth.name)
        elif n % 6 == 1:
            yield SetGeneration(middle[tooth.part], tooth.generation)
        elif n % 6 == 2:
            yield SetSide(tooth.part, tooth.side)
        elif n % 6 == 3:
            yield Dispute(ids[tooth.part])
        else:
            yield Agree(ids[tooth.part])
    for region in REGIONS:
        found = [f for f in account.findings if f.region == region or f.id.startswith(f"{region}/")]
        for f, n in zip(found[:2], (0, 1), strict=False):
            number = isinstance(f.value, float)
            yield Amend(f.id, f.value * 1.1) if number and n else Agree(f.id)
    yield Join((middle[join[0].part], join[1].part))
    inner = structures.anchor(cut.part).points_mm
    far = max(inner, key=lambda p: np.linalg.norm(np.subtract(p, inner[0])))
    yield Cut(cut.part, seeds=(inner[0], far))
    yield Discard(structures.anchor(gone.part).points_mm[1])
    shown = {t.part for t in teeth}
    missed = [p for p in truth.values() if structures.labels_at([tuple(p)])[0] not in shown]
    if missed:
        yield Add(tuple(missed[0]))
    marks = account.landmarks[:2] or ({"name": "basion", "point_mm_xyz": kept.reading.teeth[0].centroid_mm_xyz},)
    for mark in marks:
        x, y, z = mark["point_mm_xyz"]
        yield PlaceLandmark(mark["name"], (x + 0.1, y, z))
    back = np.linalg.inv(np.asarray(kept.reading.pose.scan_to_skull, float))
    plane = [back @ [0.0, y, z, 1.0] for y, z in ((0.0, 0.0), (2.0, -6.0), (-1.0, -9.0))]
    x, y, z = back[:3, 1]
    yield SetMidplane(tuple((float(a), float(b), float(c)) for a, b, c, _ in plane), up=(float(x), float(y), float(z)))
    yield Undo(2)
    yield Redo(2)


def decide(cabinet: Collection, truth: dict[int, Any]) -> None:
    """Make the decisions, where none are made yet."""
    if cabinet.decisions(NUMBER):
        return
    for said in sayings(cabinet, truth):
        try:
            cabinet.decide(NUMBER, said, who=WHO, reading=1)
        except OssicleError as error:
            print(f"not said: {said.kind}: {error.sentence()}", flush=True)


def is_lost(fate: Fate) -> bool:
    """Whether a decision found no structure and no finding, or was not followed."""
    return fate.holds == "no longer fits" and fate.finding is None


def row(name: str, number: int, told: Replayed) -> str:
    """Return a line of the table."""
    held = sum(f.holds in ("in force", "superseded") for f in told.fates)
    otherwise = sum(f.holds == "no longer fits" and not is_lost(f) for f in told.fates)
    lost = sum(is_lost(f) for f in told.fates)
    share = 1 - lost / len(told.fates)
    return (
        f"| {name} | {number} | {len(told.fates)} | {held} | {len(told.waiting)} | {otherwise} | {lost} | {share:.1%} |"
    )


def main() -> None:
    """Parse the command line, do what is to be done, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--place", type=Path, required=True, help="a folder for scans and collection")
    parser.add_argument("--preset", default="small-placental-juvenile")
    parser.add_argument("--seed", type=int, default=61)
    parser.add_argument("--voxel", type=float, default=0.08)
    parser.add_argument("--others", nargs="*", default=list(OTHERS), choices=list(OTHERS))
    parser.add_argument("--times", type=int, default=2, help="how often each scan is read")
    given = parser.parse_args()
    given.place.mkdir(parents=True, exist_ok=True)
    make_scans(given.place, given.preset, given.seed, given.voxel, given.others)
    truth = json.loads((given.place / "truth.json").read_text())
    lines, listed = [], []
    with Collection.open_or_create(given.place / "cabinet") as cabinet:
        first = read(cabinet, given.place / "first", 1)[0]
        decide(cabinet, truth)
        said = {d.number: d for d in cabinet.decisions(NUMBER)}
        again = read(cabinet, given.place / "first", given.times)
        for name, numbers in [("the first scan itself", [first, *again[1:]])] + [
            (other, read(cabinet, given.place / other, given.times)) for other in given.others
        ]:
            for number in numbers:
                told = cabinet.replayed(NUMBER, reading=number)
                lines.append(row(name, number, told))
                listed += [f"{name}, reading {number}: {words_of(said[f.number])}: {f.why}" for f in told.unfit]
    print("\n| scan | reading | decisions | hold | await a reading | read otherwise | lost | attached |")
    print("|---|---|---|---|---|---|---|---|")
    print("\n".join(lines))
    print("\n" + "\n".join(listed))


if __name__ == "__main__":
    main()
