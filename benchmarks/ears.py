"""Labyrinth, windows and turns of single ears at several voxel sizes: from which size each can be told.

    python -m benchmarks.ears [--voxels 0.1 0.07 0.05] [--animals metatherian carnivore-like] [--seeds 1]
        [--lost stapes incus malleus]

draws the ear of an invented animal alone (petrosal, bulla, ossicles; see `ossicle.practice.ear`), scans it with a blur
of 0.8 voxels and noise of 6 per cent of bone's grey, smooths as a reading does, and prints one line of JSON an ear:
what is true, what was said, and why it was not. Ossicles that are ``--lost`` are left out of the ear, as in many a dry
skull.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter

from ossicle.practice.animals import animal
from ossicle.practice.ear import NATURAL, Ear, build_ear, ear_origin
from ossicle.reading.structures import Space
from ossicle.reading.structures.ear import ear_of
from ossicle.reading.structures.labyrinth import labyrinth_in

BLUR, NOISE, SMOOTHING = 0.8, 0.06, 0.6


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--voxels", type=float, nargs="+", default=[0.1, 0.07, 0.05])
    parser.add_argument("--animals", nargs="+", default=["metatherian", "carnivore-like", "small-placental"])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--lost", nargs="*", default=[], choices=["stapes", "incus", "malleus"])
    given = parser.parse_args(arguments)
    for name in given.animals:
        for seed in given.seeds:
            for voxel in given.voxels:
                print(json.dumps(one(name, seed, voxel, given.lost)), flush=True)


def one(name: str, seed: int, voxel: float, lost: Sequence[str] = ()) -> dict[str, Any]:
    """Draw, scan and read one left ear, mm of the animal's design."""
    ear, scale, origin = drawn(name, seed)
    for bone in lost:
        ear.ossicles.pop(bone)
    space, true_volume = scanned(ear, origin, scale, voxel, seed)
    began = time.process_time()
    reach = np.array([2.0, 2.2, 2.3]) * scale
    step = max(0.5 * voxel, float(np.cbrt(np.prod(2 * reach) / 1_200_000)))
    block = space.block(origin - reach, origin + reach, step)
    brain = (block.values <= 0.5) & (block.axis(0) < origin[0] - 1.45 * scale)[:, None, None]
    labyrinth = labyrinth_in(block, brain, 5.0 * scale)
    found = None if labyrinth is None else ear_of(space, labyrinth, "left")
    read = None if found is None else found.ear
    f = ear.figures
    out: dict[str, Any] = {"animal": name, "seed": seed, "voxel_mm": voxel, "scale": round(scale, 2)}
    out["seconds"] = round(time.process_time() - began, 1)
    if read is None:
        return {**out, "labyrinth": None}
    pairs = {
        "oval": (f["oval_window_mm2"], None if read.oval is None else read.oval.area_mm2.value),
        "round": (f["round_window_mm2"], None if read.round is None else read.round.area_mm2.value),
        "turns": (f["cochlear_turns"], None if read.cochlear_turns is None else read.cochlear_turns.value),
        "cochlea_mm": (
            f["cochlear_canal_length_mm"],
            None if read.cochlea_length_mm is None else read.cochlea_length_mm.value,
        ),
        **{
            f"{canal}_canal": (
                radius,
                None if canal not in read.canal_radii_mm else read.canal_radii_mm[canal].value,
            )
            for canal, radius in f["semicircular_canal_radii_mm"].items()
        },
        "labyrinth": (true_volume, None if read.labyrinth_mm3 is None else read.labyrinth_mm3.value),
    }
    out |= {k: [round(t, 3), None if v is None else round(v, 3)] for k, (t, v) in pairs.items()}
    out["ossicles"] = {b: [("present" if b in ear.ossicles else "absent"), s] for b, s in read.ossicles.items()}
    out["stapes_voxels"] = round(f["stapes_minimum_thickness_mm"] / voxel, 1)
    return {**out, "why": {k: v[:60] for k, v in read.reasons.items()}}


def drawn(name: str, seed: int) -> tuple[Ear, float, np.ndarray[Any, Any]]:
    """The left ear of an adult of an invented animal, its scale, and the petrosal's middle (design mm)."""
    design = animal(name).design
    bulla = np.asarray(design["cranium"]["bulla"], float)
    table = design.get("ear", {})
    scale = NATURAL * float(table.get("size", 1.0))
    origin = ear_origin(bulla[:3], bulla[3:6], scale)
    rng = np.random.default_rng([seed, 5])
    return build_ear(table, "left", origin, scale, bulla[:3], bulla[3:6], rng), scale, origin


def scanned(ear: Ear, origin: np.ndarray[Any, Any], scale: float, voxel: float, seed: int) -> tuple[Space, float]:
    """The ear as a scan in skull pose, turned a little, and the labyrinth's volume (mm3) on the grid."""
    reach = np.array([2.4, 2.6, 2.7]) * scale
    size = np.ceil(2 * reach / voxel).astype(int)
    z, y, x = np.meshgrid(*(np.arange(n) * voxel for n in size[::-1]), indexing="ij")
    low = origin - reach
    xyz = tuple((a + b).astype(np.float32).ravel() for a, b in zip((x, y, z), low, strict=True))

    def far(solid: Any) -> Any:
        return solid(*xyz).reshape(x.shape)

    # in the order in which practice skulls are made: roof, cavity, floor, petrosal, its holes, ossicles
    bone = np.full(x.shape, np.inf, np.float32) if ear.roof is None else far(ear.roof)
    if ear.cavity is not None:
        bone = np.maximum(bone, -far(ear.cavity))
    if ear.floor is not None:
        bone = np.minimum(bone, far(ear.floor))
    bone = np.minimum(bone, far(ear.petrosal))
    inner = far(ear.labyrinth)
    for hole in (inner, far(ear.meatus), *(far(w) for w in ear.windows)):
        bone = np.maximum(bone, -hole)
    for solid in ear.ossicles.values():
        bone = np.minimum(bone, far(solid))
    values = gaussian_filter(np.clip(0.5 - bone / voxel, 0, 1), BLUR)
    values = values + np.random.default_rng([seed, 9]).normal(0, NOISE, values.shape)
    values = gaussian_filter(values, SMOOTHING).astype(np.float32)
    matrix = np.eye(4)
    matrix[:3, 3] = low
    blur = float(np.sqrt(BLUR**2 + SMOOTHING**2 + 1 / 12)) * voxel
    space = Space(values, (values > 0.5).astype(np.int32), (voxel,) * 3, matrix, blur, NOISE * 0.3)
    return space, float((inner < 0).sum()) * voxel**3


BARS: dict[str, tuple[str, float, bool]] = {
    "oval": ("oval window within 15 %", 0.15, True),
    "round": ("round window within 15 %", 0.15, True),
    "turns": ("turns within 0.25", 0.25, False),
    "cochlea_mm": ("cochlear canal within 10 %", 0.10, True),
    "anterior_canal": ("anterior canal within 10 %", 0.10, True),
    "posterior_canal": ("posterior canal within 10 %", 0.10, True),
    "lateral_canal": ("lateral canal within 10 %", 0.10, True),
    "labyrinth": ("labyrinth within 15 %", 0.15, True),
}


def ears_told(rows: Sequence[Mapping[str, Any]]) -> str:
    """A table of single ears, one line a quantity, one column a voxel size: right, of those read, of all."""
    if not rows:
        return ""
    sizes = sorted({r["voxel_mm"] for r in rows}, reverse=True)
    lines = [
        "",
        "Single ears by `python -m benchmarks.ears`: drawn alone, so that voxels can be finer; some without their "
        f"ossicles. {len(rows)} ears of {', '.join(sorted({r['animal'] for r in rows}))}; in each cell, within the bar "
        "/ read / all.",
        "",
        "| what | " + " | ".join(f"{v:g} mm" for v in sizes) + " |",
        "|---|" + "---|" * len(sizes),
    ]
    for key, (what, limit, share) in BARS.items():
        cells = []
        for v in sizes:
            # where no labyrinth was found nothing was read, which counts among all
            pairs = [r.get(key) or [None, None] for r in rows if r["voxel_mm"] == v]
            off = [abs(said - true) / (true if share else 1.0) for true, said in pairs if said is not None]
            cells.append(f"{sum(o <= limit for o in off)} / {len(off)} / {len(pairs)}")
        lines.append(f"| {what} | " + " | ".join(cells) + " |")
    for bone in ("stapes", "incus", "malleus"):
        cells = []
        for v in sizes:
            told = [r["ossicles"][bone] for r in rows if r["voxel_mm"] == v and _spans(r, bone)]
            right = sum(true == said for true, said in told)
            said_at_all = sum(said != "not_resolved" for _, said in told)
            cells.append(f"{right} / {said_at_all} / {len(told)}")
        three = ", where it spans or would span three voxels" if bone == "stapes" else ""
        lines.append(f"| {bone} present or absent{three} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _spans(r: Mapping[str, Any], bone: str) -> bool:
    return "ossicles" in r and (bone != "stapes" or r["stapes_voxels"] >= 3)


if __name__ == "__main__":
    main()
