"""Palate, jaw, ear and braincase against practice truth, with the specimen's true pose, bones and loci.

    python -m benchmarks.structures_truth --into FOLDER [--only N] [--ears FILE] [--docs docs]

makes the specimens that FOLDER lacks (`SPECIMENS`), reads each with the true pose, bone labels and tooth records, so
that mistakes of the tooth reading do not enter, and writes structures.json and the figures at the end of structures.md.
What one commit has read of a specimen is kept in FOLDER, so that a run that was broken off goes on.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import edt
import numpy as np

from ossicle.practice.making import make
from ossicle.reading.greys import normalise
from ossicle.reading.statistics import edge_blur
from ossicle.reading.structures import Space, Structures, openings_of, read_structures

from .ears import ears_told
from .pages import made_here
from .score_labels import load_slices, load_volume
from .truth_teeth import tooth_of_truth

SPECIMENS: tuple[tuple[str, int, float], ...] = (
    ("metatherian-adult", 1, 0.11),
    ("carnivore-like-adult", 2, 0.11),
    ("small-placental-adult", 3, 0.09),
    ("metatherian-adult", 4, 0.11),
    ("carnivore-like-juvenile", 5, 0.1),
    ("small-placental-adult", 6, 0.06),
)
CRANIUM = 1
MARK = "Made by `python -m benchmarks.structures_truth`"
BARS = {
    "openings": ("opening areas", "within 10 %", 0.10),
    "windows": ("oval and round windows", "within 15 %", 0.15),
    "inflection": ("inflection of the angular process", "within 4 degrees", 4.0),
    "form": ("form of the angular process", "right", 0.0),
    "turns": ("turns of the cochlea", "within 0.25", 0.25),
    "stapes": ("stapes, where it spans three voxels", "right", 0.0),
    "endocranial": ("endocranial volume", "within 3 %", 0.03),
    "ossicles": ("incus and malleus, where they span three voxels", "right", 0.0),
    "canals": ("radii of the semicircular canals", "within 1 voxel", 1.0),
    "cochlea": ("length of the cochlear canal", "within 10 %", 0.10),
    "labyrinth": ("volume of the labyrinth", "within 15 %", 0.15),
    "nose": ("volume of the nasal cavity", "within 20 %", 0.20),
    "lengths": ("linear measures", "within 1 voxel or 1 %", 1.0),
}


@dataclass(frozen=True)
class Row:
    """One true value: what was said (None: nothing), and the error in the bar's own measure."""

    specimen: str
    group: str
    name: str
    true: Any
    said: Any
    error: float | None


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--into", type=Path, required=True, help="folder of specimens, made where missing")
    parser.add_argument("--only", type=int, default=len(SPECIMENS), help="so many specimens")
    parser.add_argument("--ears", type=Path, help="what `python -m benchmarks.ears` printed, to be told beside")
    parser.add_argument("--docs", type=Path, default=Path("docs"))
    given = parser.parse_args(arguments)
    rows: list[Row] = []
    seconds = []
    commit = made_here(1)["commit"]
    for preset, seed, voxel in SPECIMENS[: given.only]:
        folder = given.into / f"{preset}-{seed}"
        if not folder.exists():
            make(preset, folder, seed=seed, voxel_mm=voxel)
        kept = given.into / f"{preset}-{seed}-{commit}.json"
        if not kept.exists():
            found, took = rows_of(folder)
            whole = {"seconds": took, "rows": [asdict(r) for r in found]}
            kept.write_text(json.dumps(whole), encoding="utf-8")
        told = json.loads(kept.read_text(encoding="utf-8"))
        rows += [Row(**r) for r in told["rows"]]
        seconds.append(told["seconds"])
        print(folder.name, f"{told['seconds']:.1f} s of processor time", flush=True)
    singles = [] if given.ears is None else [json.loads(x) for x in given.ears.read_text(encoding="utf-8").splitlines()]
    made = {**made_here(1), "specimens": [list(s) for s in SPECIMENS[: given.only]], "seconds_each": seconds}
    given.docs.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"made_by": made, "rows": [asdict(r) for r in rows], "single_ears": singles}, indent=1) + "\n"
    (given.docs / "structures.json").write_text(text, encoding="utf-8")
    page = given.docs / "structures.md"
    head = page.read_text(encoding="utf-8").split(MARK)[0] if page.exists() else "# Structures\n\n"
    page.write_text(head + figures(rows, made) + ears_told(singles), encoding="utf-8")
    print(page)


def rows_of(folder: Path) -> tuple[list[Row], float]:
    """Read one practice specimen with its true pose, bones and loci; compare; seconds of processor time taken."""
    truth = json.loads((folder / "truth" / "truth.json").read_text(encoding="utf-8"))
    own = load_volume(folder / "truth" / "labels.nii.gz")
    grey = load_slices(folder).astype(np.float32)
    spacing = tuple(truth["scan"]["spacing_mm_zyx"])
    normal, levels, _ = normalise(grey)
    voxel = float(np.cbrt(np.prod(spacing)))
    blur = float(np.hypot(edge_blur(grey, levels.surround, levels.bone), 0.6)) * voxel
    dentaries = {p["side"]: p["label"] for p in truth["parts"] if p["term"] == "dentary"}
    space = Space(
        normal.values,
        _labels(own, truth),
        spacing,
        np.array(truth["pose"]["scan_to_skull"], float),
        blur,
        normal.noise,
    )
    began = time.process_time()
    found, _, _ = read_structures(
        space,
        [tooth_of_truth(t) for t in truth["teeth"]],
        cranium=CRANIUM if truth["groups"]["cranium"] else None,
        dentaries=dentaries,
    )
    took = time.process_time() - began
    brain = next((p["label"] for p in truth["parts"] if p["term"] == "cranial cavity"), None)
    volume = None if brain is None else float((own == brain).sum()) * float(np.prod(spacing))
    rows = compare(folder.name, truth, found, volume, voxel)
    rows += _inner_ears(folder.name, truth, found, voxel, own)
    nasal = next((p["label"] for p in truth["parts"] if p["term"] == "nasal cavity"), None)
    if nasal is not None:
        said = None if found.nose is None or found.nose.volume_mm3 is None else found.nose.volume_mm3.value
        true = float((own == nasal).sum()) * float(np.prod(spacing))
        rows.append(_share(folder.name, "nose", "volume of the nasal cavity", true, said))
    return rows, took


def _inner_ears(
    specimen: str, truth: Mapping[str, Any], found: Structures, voxel: float, own: np.ndarray[Any, Any]
) -> list[Row]:
    """What the ear holds besides windows, turns and stapes."""
    rows: list[Row] = []
    ears = {e.side: e for e in found.ears}
    labels = {(p["term"], p["side"]): p["label"] for p in truth["parts"]}
    for t in truth["ear"]:
        side, e = t["side"], ears.get(t["side"])
        volume = None if e is None or e.labyrinth_mm3 is None else e.labyrinth_mm3.value
        rows.append(_share(specimen, "labyrinth", f"volume {side}", t["labyrinth_volume_mm3"], volume))
        long = None if e is None or e.cochlea_length_mm is None else e.cochlea_length_mm.value
        rows.append(_share(specimen, "cochlea", f"length {side}", t["cochlear_canal_length_mm"], long))
        for canal, radius in t["semicircular_canal_radii_mm"].items():
            said = None if e is None or canal not in e.canal_radii_mm else e.canal_radii_mm[canal].value
            off = None if said is None else (said - radius) / voxel
            rows.append(Row(specimen, "canals", f"{canal} canal {side}", radius, said, off))
        for bone in ("incus", "malleus"):
            there = np.argwhere(own == labels.get((bone, side), -1))
            if not len(there):
                continue
            low = there.min(0) - 1
            mark = np.zeros(there.max(0) + 2 - low, bool)
            mark[tuple((there - low).T)] = True
            if 2 * float(edt.edt(mark).max()) < 3:
                continue
            state = None if e is None else e.ossicles[bone]
            wrong = None if state in (None, "not_resolved") else float(state != "present")
            rows.append(Row(specimen, "ossicles", f"{bone} {side}", "present", state, wrong))
    return rows


def _labels(own: np.ndarray[Any, Any], truth: Mapping[str, Any]) -> np.ndarray[Any, np.dtype[np.int32]]:
    """The true labels as a reading has them: one cranium, dentaries, teeth; nothing in cavities and openings."""
    table = np.zeros(int(own.max()) + 1, np.int32)
    table[[label for label in truth["groups"]["cranium"] if label < len(table)]] = CRANIUM
    for p in truth["parts"]:
        if (p["kind"] == "tooth" or p["term"] == "dentary") and p["label"] < len(table):
            table[p["label"]] = p["label"]
    return table[own]


def compare(
    specimen: str, truth: Mapping[str, Any], found: Structures, endocranial: float | None, voxel: float
) -> list[Row]:
    """Every true value against what was said."""
    rows: list[Row] = []
    said = {(o.term, o.side): o.area_mm2.value for o in openings_of(found.palate, found.braincase, found.ears)}
    for o in truth["openings"]:
        if "window" not in o["term"]:
            area = said.get((o["term"], o["side"]))
            rows.append(_share(specimen, "openings", f"{o['term']} {o['side']}", o["area_mm2"], area))
    for t in truth["ear"]:
        for term, key in (("oval window", "oval_window_mm2"), ("round window", "round_window_mm2")):
            area = said.get((term, t["side"]))
            rows.append(_share(specimen, "windows", f"{term} {t['side']}", t[key], area))
    jaws = {j.side: j.angle for j in found.jaws}
    for j in truth["jaw"]:
        a, true = jaws.get(j["side"]), j["angular_process_inflection_deg"]
        value = None if a is None or a.inflection_deg is None else a.inflection_deg.value
        if true is not None:
            rows.append(_plain(specimen, "inflection", f"inflection {j['side']}", true, value))
        form = None if a is None else a.form
        # practice animals call a shelf rounded where it has no free process
        if j["form"] in ("shelf", "rod", "absent"):
            wrong = None if form is None else float(form != j["form"])
            rows.append(Row(specimen, "form", f"form {j['side']}", j["form"], form, wrong))
    ears = {e.side: e for e in found.ears}
    for t in truth["ear"]:
        e = ears.get(t["side"])
        turns = None if e is None or e.cochlear_turns is None else e.cochlear_turns.value
        rows.append(_plain(specimen, "turns", f"turns {t['side']}", t["cochlear_turns"], turns))
        thick = t["stapes_minimum_thickness_mm"]
        if thick is not None and thick >= 3 * voxel:
            state = None if e is None else e.ossicles["stapes"]
            rows.append(Row(specimen, "stapes", f"stapes {t['side']}", t["stapes"], state, float(state != t["stapes"])))
    if endocranial:
        value = None if found.braincase is None or found.braincase.volume_mm3 is None else found.braincase.volume_mm3
        rows.append(
            _share(specimen, "endocranial", "endocranial volume", endocranial, None if value is None else value.value)
        )
    measured = {m.name: m.value_mm.value for m in found.measured}
    for m in truth["measurements"]:
        if m["unit"] == "mm":
            value = measured.get(m["name"])
            # in units of the bar: a voxel, or one per cent where that is more
            error = None if value is None else (value - m["value"]) / max(voxel, 0.01 * m["value"])
            rows.append(Row(specimen, "lengths", m["name"], m["value"], value, error))
    return rows


def _share(specimen: str, group: str, name: str, true: float, said: float | None) -> Row:
    return Row(specimen, group, name, true, said, None if said is None else said / true - 1)


def _plain(specimen: str, group: str, name: str, true: float, said: float | None) -> Row:
    return Row(specimen, group, name, true, said, None if said is None else said - true)


def figures(rows: Sequence[Row], made: Mapping[str, Any]) -> str:
    """The page's figures: one line a bar, then one a measure and an opening."""
    names = sorted({r.specimen for r in rows})
    lines = [
        f"{MARK} on practice specimens (invented animals; see [practice](practice.md)), with the specimen's true pose, "
        "bones and loci, so that mistakes in the teeth do not enter.",
        "",
        f"{len(names)} specimens: {', '.join(names)}. Commit {made['commit']}, {made['date']}.",
        "",
        "| what | bar | true values | read | within the bar, of those read | median error | 90th percentile | worst |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for group, (what, bar, limit) in BARS.items():
        lines.append(_line(what, bar, [r for r in rows if r.group == group], limit, group))
    lines += ["", "By opening and measure (errors signed; lengths in units of their bar):", ""]
    lines += ["| what | true values | read | median error | worst |", "|---|---|---|---|---|"]
    kinds: dict[tuple[str, str], list[Row]] = {}
    for r in rows:
        kinds.setdefault((r.group, r.name.removesuffix(" left").removesuffix(" right")), []).append(r)
    for (group, name), some in sorted(kinds.items()):
        if group in ("openings", "windows", "lengths", "inflection", "canals"):
            errors = [r.error for r in some if r.error is not None]
            worst = max(errors, key=abs, default=None)
            middle = float(np.median(errors)) if errors else None
            lines.append(
                f"| {name} | {len(some)} | {len(errors)} | {_number(middle, group)} | {_number(worst, group)} |"
            )
    return "\n".join(lines) + "\n"


def _line(what: str, bar: str, rows: Sequence[Row], limit: float, group: str) -> str:
    errors = np.abs([r.error for r in rows if r.error is not None])
    if not len(rows):
        return f"| {what} | {bar} | 0 | – | – | – | – | – |"
    if not len(errors):
        return f"| {what} | {bar} | {len(rows)} | 0 | – | – | – | – |"
    good = int((errors <= limit + 1e-9).sum())
    middle, high, worst = float(np.median(errors)), float(np.quantile(errors, 0.9)), float(errors.max())
    shown = " | ".join(_number(v, group, signed=False) for v in (middle, high, worst))
    return f"| {what} | {bar} | {len(rows)} | {len(errors)} | {good} | {shown} |"


def _number(value: float | None, group: str, signed: bool = True) -> str:
    if value is None:
        return "–"
    sign = "+" if signed else ""
    if group in ("openings", "windows", "endocranial", "cochlea", "labyrinth", "nose"):
        return f"{value * 100:{sign}.1f} %"
    if group == "inflection":
        return f"{value:{sign}.1f}°"
    return f"{value:{sign}.2f}"


if __name__ == "__main__":
    main()
