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
from collections.abc import Sequence
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

    bone = far(ear.petrosal)
    if ear.roof is not None:
        bone = np.minimum(bone, far(ear.roof) if ear.cavity is None else np.maximum(far(ear.roof), -far(ear.cavity)))
    inner = far(ear.labyrinth)
    for hole in (inner, far(ear.meatus), *(far(w) for w in ear.windows)):
        bone = np.maximum(bone, -hole)
    for solid in (ear.floor, *ear.ossicles.values()):
        if solid is not None:
            bone = np.minimum(bone, far(solid))
    values = gaussian_filter(np.clip(0.5 - bone / voxel, 0, 1), BLUR)
    values = values + np.random.default_rng([seed, 9]).normal(0, NOISE, values.shape)
    values = gaussian_filter(values, SMOOTHING).astype(np.float32)
    matrix = np.eye(4)
    matrix[:3, 3] = low
    blur = float(np.sqrt(BLUR**2 + SMOOTHING**2 + 1 / 12)) * voxel
    space = Space(values, (values > 0.5).astype(np.int32), (voxel,) * 3, matrix, blur, NOISE * 0.3)
    return space, float((inner < 0).sum()) * voxel**3


if __name__ == "__main__":
    main()
