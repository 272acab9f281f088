"""Which invented specimens the models are trained on, how they are made, and that none of them is measured on."""

from __future__ import annotations

import json
import tomllib
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from benchmarks.matrix import Specimen as BenchSpecimen
from benchmarks.matrix import root_of_project
from benchmarks.runner import make as make_foreign
from benchmarks.score_labels import load_volume
from ossicle import practice
from ossicle.errors import OssicleError
from ossicle.reading.working_grid import working_grid

__all__ = ["Specimen", "Volumes", "check_apart", "full_plan", "load", "make", "measured_seeds", "quick_plan"]

KEPT_FOR_MEASURING = {"practice": 100, "foreign": 11}
"""Seeds below these are never trained on, whatever the matrix of the accuracy bench says."""


@dataclass(frozen=True)
class Specimen:
    """One specimen to train on.

    ``maker`` is practice or foreign; ``voxel`` in mm, None for the preset's own; ``rendered`` whether its voxels are
    drawn from a new rendering rather than from the scan; ``objects`` whether it serves the object and pair models too.
    """

    maker: str
    animal: str
    stage: str
    seed: int
    voxel: float | None = None
    length: float = 0.0
    rendered: bool = False
    objects: bool = False

    @property
    def name(self) -> str:
        return f"{self.maker}-{self.animal}-{self.stage}-{self.seed}"

    @property
    def group(self) -> str:
        """The kind of animal; cross-validation never parts one kind between fitting and testing."""
        return f"{self.maker}-{self.animal}"

    def in_bench(self) -> BenchSpecimen:
        """The same specimen as the benches name it."""
        settings: dict[str, Any] = {"seed": self.seed}
        if self.maker == "practice":
            settings["preset"] = f"{self.animal}-{self.stage}"
            settings["voxel_mm"] = self.voxel
        else:
            settings |= {"animal": self.animal, "stage": self.stage, "tilt": "any", "length": self.length}
            if self.voxel is not None:
                settings["voxel"] = self.voxel
        return BenchSpecimen(self.maker, "training", tuple(sorted(settings.items())))

    def key(self) -> str:
        """Hash of everything that decides its voxels, the generator's code included."""
        return self.in_bench().key()

    def random(self) -> np.random.Generator:
        """A generator that depends on the specimen's name alone."""
        return np.random.default_rng([zlib.crc32(self.name.encode()), self.seed])


@dataclass(frozen=True)
class Volumes:
    """A scan on its working grid with its truth, all (z, y, x): greys float32, labels and tissue ids, and the teeth."""

    grey: NDArray[np.float32]
    labels: NDArray[np.int32]
    tissue: NDArray[np.uint8]
    teeth: tuple[dict[str, Any], ...]
    spacing_mm_zyx: tuple[float, float, float]

    @property
    def is_tooth(self) -> NDArray[np.bool_]:
        """Whether a voxel lies in any tooth."""
        return np.isin(self.labels, [int(t["label"]) for t in self.teeth])


def full_plan() -> list[Specimen]:
    """The specimens of a full training: both generators, every animal, unlike stages, voxels and sizes."""
    placental, stages = ("carnivore-like", "metatherian"), ("newborn", "juvenile", "subadult", "adult", "old")
    others = ("small-placental", "rodent-like", "bat-like", "browser-like", "diprotodont")
    ours = [("practice", a, s, 201) for a in (*placental, *others) for s in stages]
    ours += [
        ("practice", a, s, seed) for a in placental for s in ("juvenile", "subadult", "adult") for seed in (301, 302)
    ]
    ours += [("practice", a, s, 303) for a in others for s in ("juvenile", "adult")]
    ours += [("practice", "edentulous", s, 201) for s in ("juvenile", "adult")]
    wide = [("placental", s) for s in stages] + [("metatherian", s) for s in stages]
    wide += [(a, s) for a in ("rodent", "browser", "diprotodont", "bat") for s in ("juvenile", "adult")]
    theirs = [("foreign", a, s, seed) for a, s in wide for seed in (11, 12)]
    theirs += [
        ("foreign", a, s, seed)
        for a in ("placental", "metatherian")
        for s in ("juvenile", "adult")
        for seed in (21, 22)
    ]
    plan = []
    for place, (maker, animal, stage, seed) in enumerate(ours + theirs):
        voxel = {11: 0.12, 12: 0.1, 21: 0.1, 22: 0.085}[seed] if maker == "foreign" else None
        length = {11: 30.0, 12: 26.0, 21: 0.0, 22: 28.0}[seed] if maker == "foreign" else 0.0
        objects = stage != "old" and (seed in {11, 21, 201, 301} or animal in others)
        plan.append(Specimen(maker, animal, stage, seed, voxel, length, place // 3 % 2 == 1, objects))
    return plan


def quick_plan() -> list[Specimen]:
    """Three tiny specimens: enough to go the whole way, not to make a model of any worth."""
    return [
        Specimen("foreign", "placental", "juvenile", 13, 0.13, 26.0, rendered=False, objects=True),
        Specimen("foreign", "metatherian", "juvenile", 14, 0.13, 26.0, rendered=True, objects=True),
        Specimen("practice", "carnivore-like", "juvenile", 204, 0.16, rendered=False, objects=True),
    ]


def measured_seeds(matrix: Path | None = None) -> set[tuple[str, int]]:
    """Maker and seed of everything the accuracy bench measures."""
    path = matrix or root_of_project() / "benchmarks" / "accuracy.toml"
    groups = tomllib.loads(path.read_text(encoding="utf-8"))["group"]
    return {(g["source"], int(s)) for g in groups for s in g["seed"]}


def check_apart(plan: list[Specimen], measured: set[tuple[str, int]]) -> None:
    """Refuse a plan that trains on what the accuracy bench measures.

    Raises
    ------
    OssicleError
        If a specimen's seed is one of ``measured`` or kept for measuring.
    """
    for s in plan:
        if (s.maker, s.seed) in measured or s.seed < KEPT_FOR_MEASURING[s.maker]:
            raise OssicleError("this specimen's seed is kept for measuring", where=s.name, mend="train on another seed")


def make(specimen: Specimen, where: Path) -> Path:
    """Return the specimen's folder under ``where``, made first if it is not there; never half-written."""
    bench = specimen.in_bench()
    if specimen.maker != "practice":
        return make_foreign(bench, where)
    folder = where / f"{specimen.name}-{specimen.key()}"
    if (folder / "truth" / "truth.json").exists():
        return folder
    import shutil

    part = folder.with_name(folder.name + ".part")
    shutil.rmtree(part, ignore_errors=True)
    preset = f"{specimen.animal}-{specimen.stage}"
    practice.make(preset, part, seed=specimen.seed, voxel_mm=specimen.voxel, threads=1)
    shutil.rmtree(folder, ignore_errors=True)
    part.rename(folder)
    return folder


def load(folder: Path) -> Volumes:
    """Read a specimen's folder on the grid a reading works on (truth at the middle voxel where it is coarser)."""
    grey = np.stack([tifffile.imread(p) for p in sorted((folder / "slices").glob("*.tif"))])
    truth = json.loads((folder / "truth" / "truth.json").read_text(encoding="utf-8"))
    z, y, x = json.loads((folder / "scan.json").read_text(encoding="utf-8"))["spacing_mm_zyx"]
    grid = working_grid(grey, (float(z), float(y), float(x)))
    box = tuple(
        slice(a + grid.factor // 2, a + n * grid.factor, grid.factor)
        for a, n in zip(grid.start, grid.grey.shape, strict=True)
    )
    labels = load_volume(folder / "truth" / "labels.nii.gz")[box].astype(np.int32)
    tissue = load_volume(folder / "truth" / "tissue.nii.gz")[box].astype(np.uint8)
    return Volumes(grid.grey, labels, tissue, tuple(truth["teeth"]), grid.spacing_mm_zyx)
