"""Whole sets of practice specimens: graded exercises for a class, a growth series, a yardstick for a bench.

A set is planned from its name and a seed, so the same request always names the same specimens. For teaching, the
scans lie in ``exercises/`` and the answers in ``key/``; nothing in ``exercises/`` tells animal, stage, seed or fault.
The grades (what is harder than what) are common practice of teaching collections, no source.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from ossicle import __version__
from ossicle.errors import OssicleError
from ossicle.practice.animals import animals
from ossicle.practice.files import write_file, write_folder
from ossicle.practice.making import STAGES, build, presets
from ossicle.practice.scanner import degraded
from ossicle.practice.scanner import preset as scanner_preset

__all__ = ["GRADES", "SETS", "Exercise", "make_set", "plan_set"]

Progress = Callable[[str, float], None]
NOTE = "Invented practice specimens: no animal like these has lived."
SETS = MappingProxyType(
    {
        "class": "graded exercises, the answers apart from the scans",
        "series": "one animal at each growth stage, the answers apart from the scans",
        "bench": "each animal at each stage, by turns with a fault or a worse scan, the truth beside each scan",
    }
)
"""What sets there are."""
GRADES = MappingProxyType(
    {
        1: "a full-grown animal with all its teeth, in a clean scan",
        2: "a growing animal: deciduous and permanent teeth, crowns in their crypts",
        3: "a dentition that departs from the common plan",
        4: "teeth that are lost, broken, worn, fused or too many, or sides that differ",
        5: "a poor or crowded scan: noise, rings, packing, metal, fluid, pieces apart or cut off",
    }
)
"""What the exercises of each grade ask of the student."""
DEPARTING = ("rodent-like", "browser-like", "bat-like", "diprotodont", "edentulous")
OF_THE_TEETH = (
    ("missing-teeth",),
    ("broken-crowns",),
    ("healed-alveoli",),
    ("extra-tooth",),
    ("asymmetry",),
    ("fused-teeth",),
    ("worn", "missing-teeth"),
    ("lost-ossicle",),
)
OF_THE_SCAN: tuple[tuple[tuple[str, ...], str], ...] = (
    (("detached-dentaries",), "none"),
    ((), "double noise"),
    (("wet",), "none"),
    (("cropped",), "none"),
    (("foam", "tag"), "rings"),
    (("two-specimens",), "none"),
    (("pin",), "none"),
    ((), "half resolution"),
    (("tube", "broken-crowns"), "cupping"),
    (("dentaries-alone",), "8 bit"),
    (("cranium-alone",), "double blur"),
)
SHARES = {"cranium": 0.1, "left dentary": 0.4, "right dentary": 0.45, "teeth": 0.5, "write slices": 0.8}


Row = tuple[int, str, int, tuple[str, ...], str, str]
"""Grade, preset, seed, faults, the scanner's preset, how the scan is made worse."""


@dataclass(frozen=True)
class Exercise:
    """One specimen of a set: its name in the set, its grade, and how it is made."""

    name: str
    grade: int
    preset: str
    seed: int
    faults: tuple[str, ...]
    scanner: str
    worse: str
    voxel_mm: float


def plan_set(
    kind: str,
    *,
    seed: int = 1,
    each: int = 4,
    only: Sequence[str] = (),
    grades: Sequence[int] = (),
    voxel_mm: float | None = None,
) -> list[Exercise]:
    """Say which specimens a set holds, without making them.

    Parameters
    ----------
    kind
        A name from :data:`SETS`.
    seed
        Same seed, same set.
    each
        Exercises of each grade (class), or specimens of each preset (bench). A series has one of each stage.
    only
        Names of the animals to take; all where empty. A series takes the first, and the carnivore-like one where
        empty.
    grades
        Grades of a class set to take; all where empty.
    voxel_mm
        Voxel edge in mm; the presets' own where not given.

    Raises
    ------
    OssicleError
        If the set, an animal or a grade is unknown, or nothing is left to make.
    """
    if kind not in SETS:
        raise OssicleError(f"there is no practice set called {kind!r}", mend=f"choose one of {', '.join(SETS)}")
    for name in only:
        if name not in animals():
            raise OssicleError(
                f"there is no practice animal called {name!r}", mend=f"choose from {', '.join(animals())}"
            )
    for grade in grades:
        if grade not in GRADES:
            raise OssicleError(f"there is no grade {grade}", where="grade", mend=f"use 1 to {max(GRADES)}")
    if not 1 <= each <= 99:
        raise OssicleError(f"{each} of each make no set", where="each", mend="give 1 to 99")
    rng = np.random.default_rng([seed, 23])
    seeds = _numbers(rng)
    if kind == "series":
        beast = only[0] if only else "carnivore-like"
        stages = [s for s in STAGES if f"{beast}-{s}" in presets()]
        one = next(seeds)
        rows: list[Row] = [(1, f"{beast}-{s}", one, (), "clean", "none") for s in stages]
        rows = [rows[int(i)] for i in rng.permutation(len(rows))]
    elif kind == "bench":
        rows = _bench(seeds, each, only)
    else:
        rows = [r for g in GRADES for r in _grade(g, seed, each, only) if not grades or g in grades]
    if not rows:
        raise OssicleError("no specimen of these animals fits these grades", where="set", mend="leave --animal out")
    out, count = [], dict.fromkeys(GRADES, 0)
    for grade, preset, number, faults, scanner, worse in rows:
        count[grade] += 1
        name = f"{grade}-{count[grade]:02d}" if kind == "class" else f"{sum(count.values()):03d}"
        voxel = presets()[preset].voxel_mm if voxel_mm is None else voxel_mm
        voxel = round(voxel * degraded(scanner_preset(scanner), worse)[1], 4)
        out.append(Exercise(name, grade, preset, number, faults, scanner, worse, voxel))
    return out


def _numbers(rng: np.random.Generator) -> Any:
    while True:
        yield int(rng.integers(1000, 1_000_000))


def _bench(seeds: Any, each: int, only: Sequence[str]) -> list[Row]:
    """Every preset; of each, the first plain and the others with a fault or a worse scan, by turns."""
    ways: list[tuple[tuple[str, ...], str]] = [(f, "none") for f in OF_THE_TEETH]
    ways = [w for pair in zip(OF_THE_SCAN, [*ways, *ways], strict=False) for w in pair]
    rows: list[Row] = []
    turn = 0
    for p in presets().values():
        if only and p.animal not in only:
            continue
        for k in range(each):
            faults, worse = ((), "none") if k == 0 else ways[turn % len(ways)]
            turn += k > 0
            rows.append((1, p.name, next(seeds), faults, "typical", worse))
    return rows


def _grade(grade: int, seed: int, each: int, only: Sequence[str]) -> list[Row]:
    rng = np.random.default_rng([seed, 29, grade])
    seeds = _numbers(rng)
    with_teeth = [a for a in animals() if a != "edentulous"]
    pool = {
        1: (with_teeth, ("adult",)),
        2: (with_teeth, ("newborn", "juvenile", "juvenile", "subadult")),
        3: (list(DEPARTING), ("juvenile", "subadult", "adult", "old")),
        4: (with_teeth, ("adult", "subadult", "adult", "old")),
        5: (list(animals()), ("juvenile", "adult")),
    }
    beasts, stages = pool[grade]
    choices = [f"{a}-{s}" for s in dict.fromkeys(stages) for a in beasts if not only or a in only]
    choices = [c for c in choices if c in presets()]
    if not choices:
        return []
    # every animal comes once before one comes again
    order = [choices[int(i)] for i in rng.permutation(len(choices))]
    rank: dict[str, int] = {}
    keyed = []
    for c in order:
        beast = presets()[c].animal
        rank[beast] = rank.get(beast, 0) + 1
        keyed.append((rank[beast], c))
    order = [c for _, c in sorted(keyed, key=lambda k: k[0])]
    shift = int(rng.integers(100))
    rows: list[Row] = []
    for k in range(each):
        faults: tuple[str, ...] = ()
        worse = "none"
        if grade == 4:
            faults = OF_THE_TEETH[(shift + k) % len(OF_THE_TEETH)]
        elif grade == 5:
            faults, worse = OF_THE_SCAN[(shift + k) % len(OF_THE_SCAN)]
        scanner = "clean" if grade == 1 else "typical"
        rows.append((grade, order[k % len(order)], next(seeds), faults, scanner, worse))
    return rows


def make_set(
    kind: str,
    out: Path,
    *,
    seed: int = 1,
    each: int = 4,
    only: Sequence[str] = (),
    grades: Sequence[int] = (),
    voxel_mm: float | None = None,
    threads: int = 2,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Make a set and write it; what is there of the same set already is kept, so a stopped run goes on.

    Sets for teaching hold ``exercises/NAME/`` (slices/, scan.json), ``exercises/index.json`` and ``.csv``, and
    ``key/NAME/truth/``, ``key/key.json`` and ``.csv``. A bench set holds ``NAME/`` with slices/, scan.json and truth/,
    which ``python -m benchmarks.accuracy --folder`` takes, and the same tables. Options are those of :func:`plan_set`.

    Returns
    -------
    dict
        ``set``, ``folder``, ``specimens`` (how many), ``made`` (how many of them now).

    Raises
    ------
    OssicleError
        If the request is not sound, or something else is in the folder.
    """
    say = progress or (lambda _what, _share: None)
    plan = plan_set(kind, seed=seed, each=each, only=only, grades=grades, voxel_mm=voxel_mm)
    out = Path(out)
    apart = kind != "bench"
    key = out / "key"
    exercises = out / "exercises" if apart else out
    wanted = {
        "schema": "ossicle-practice-set/1",
        "invented": True,
        "note": NOTE,
        "set": kind,
        "seed": seed,
        "version": __version__,
        "plan": json.loads(json.dumps([asdict(e) for e in plan])),
    }
    _claim(out, key / "plan.json", wanted)
    made, rows = 0, []
    for i, e in enumerate(plan):
        here, answer = exercises / e.name, (key if apart else out) / e.name / "truth"
        label = f"specimen {i + 1} of {len(plan)}"
        say(label, i / len(plan))
        if not ((here / "scan.json").is_file() and (answer / "truth.json").is_file()):

            def told(what: str, share: float, i: int = i, label: str = label) -> None:
                part = SHARES.get(what, 0.9 if what.startswith("write") else 0.0)
                part = 0.5 + 0.3 * share if what not in SHARES and what.startswith(("scan", "image")) else part
                say(label, (i + min(part, 1.0)) / len(plan))

            _make(e, here, answer, threads, told, blind=apart)
            made += 1
        rows.append(_row(e, here, answer))
    _tables(exercises / "index", {k: wanted[k] for k in ("schema", "invented", "note", "set")}, rows, open_=True)
    _tables(key / "key", {k: v for k, v in wanted.items() if k != "plan"}, rows, open_=False)
    say("done", 1.0)
    return {"set": kind, "folder": str(out), "specimens": len(plan), "made": made}


def _claim(out: Path, file: Path, wanted: Mapping[str, Any]) -> None:
    """Take a new folder for this set, or see that the folder holds the same set."""
    if file.is_file():
        try:
            there = json.loads(file.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            there = None
        if there != dict(wanted):
            raise OssicleError(
                "another set, or one of another version, is here", where=out, mend="name a folder that does not exist"
            )
        return
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise OssicleError("there is something here already", where=out, mend="name a folder that does not exist yet")
    write_file(file, (json.dumps(wanted, indent=1) + "\n").encode())


def _make(e: Exercise, here: Path, answer: Path, threads: int, say: Progress, *, blind: bool) -> None:
    """Write one specimen, scans and answers each in one step, the answers first."""
    factor = degraded(scanner_preset(e.scanner), e.worse)[1]
    settings, _ = degraded(scanner_preset(e.scanner, e.voxel_mm / factor), e.worse)
    m = build(
        e.preset, seed=e.seed, voxel_mm=e.voxel_mm, settings=settings, faults=e.faults, threads=threads, progress=say
    )
    sidecar = dict(m.sidecar)
    if blind:
        sidecar["note"] = f"Invented practice specimen, exercise {e.name}."
    for old in (here, answer):
        shutil.rmtree(old, ignore_errors=True)
    try:
        here.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".making-", dir=here.parent) as work:
            whole = write_folder(
                Path(work) / e.name, m.values, m.spacing_mm_zyx, m.labels, m.tissue, m.truth, sidecar, say
            )
            if blind:
                answer.parent.mkdir(parents=True, exist_ok=True)
                (whole / "truth").rename(answer)
            whole.rename(here)
    except OSError as error:
        raise OssicleError(
            f"cannot write here ({error.strerror})", where=here, mend="make room, or choose a folder you may write to"
        ) from error


def _row(e: Exercise, here: Path, answer: Path) -> dict[str, Any]:
    truth = json.loads((answer / "truth.json").read_text(encoding="utf-8"))
    p = presets()[e.preset]
    teeth = truth["teeth"]
    return {
        "name": e.name,
        "grade": e.grade,
        "voxel_mm": e.voxel_mm,
        "shape_zyx": "x".join(str(n) for n in truth["scan"]["shape_zyx"]),
        "preset": e.preset,
        "animal": p.animal,
        "stage": p.stage,
        "seed": e.seed,
        "faults": " ".join(e.faults),
        "scanner": e.scanner,
        "worse": "" if e.worse == "none" else e.worse,
        "formula": truth["formula"]["text"],
        "teeth": len(teeth),
        "in_crypt": sum(t["emergence"] == "in_crypt" for t in teeth),
    }


def _tables(stem: Path, head: Mapping[str, Any], rows: Sequence[Mapping[str, Any]], *, open_: bool) -> None:
    """The same table as CSV and JSON; an open one says nothing of the answers."""
    shown = [{k: r[k] for k in ("name", "grade", "voxel_mm", "shape_zyx")} for r in rows] if open_ else list(rows)
    if head["set"] != "class":
        shown = [{k: v for k, v in r.items() if k != "grade"} for r in shown]
    elif open_:
        shown = [{**r, "task": GRADES[r["grade"]]} for r in shown]
    text = io.StringIO()
    table = csv.DictWriter(text, list(shown[0]), lineterminator="\r\n")  # RFC 4180
    table.writeheader()
    table.writerows(shown)
    write_file(stem.with_suffix(".csv"), text.getvalue().encode())
    told = json.dumps({**head, "specimens": shown}, indent=1, ensure_ascii=False) + "\n"
    write_file(stem.with_suffix(".json"), told.encode())
