"""Which invented specimens the models are trained on, how they are made, and that none of them is measured on.

`specimens.csv` beside this file lists them: those the network learns from, and others, which it never sees, for the
models of objects and pairs.
"""

from __future__ import annotations

import csv
import json
import shutil
import tomllib
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.matrix import Specimen as BenchSpecimen
from benchmarks.matrix import root_of_project
from benchmarks.runner import make as make_foreign
from benchmarks.score_labels import load_slices, load_volume
from ossicle import practice
from ossicle.errors import OssicleError
from ossicle.reading.working_grid import working_grid

__all__ = [
    "RESERVED",
    "Specimen",
    "Volumes",
    "check_apart",
    "full_plan",
    "load",
    "make",
    "measured_seeds",
    "object_plan",
    "quick_object_plan",
    "quick_plan",
]

RESERVED = {"practice": range(1, 100), "foreign": range(200, 600), "control": range(1, 60)}
"""Seeds never trained on, whatever the accuracy bench measures now: new groups of its matrix draw from these."""


@dataclass(frozen=True)
class Specimen:
    """One specimen to train on.

    ``maker`` is practice, foreign, or control (no teeth; ``animal`` is its kind, without a stage). ``voxel`` in mm,
    None for the preset's own; ``length`` adult skull length in mm, 0 for one drawn; ``noise`` in multiples of the
    generator's own; ``missing`` and ``broken`` count teeth; ``faults`` are those of `ossicle.practice`. Of these a
    practice specimen knows ``voxel`` and ``faults`` alone, a foreign one all but ``faults``. ``weight`` is how often
    the network is shown it.
    """

    maker: str
    animal: str
    stage: str
    seed: int
    voxel: float | None = None
    length: float = 0.0
    noise: float = 1.0
    wet: bool = False
    cupping: float = 0.0
    rings: float = 0.0
    missing: int = 0
    broken: int = 0
    faults: tuple[str, ...] = ()
    weight: float = 1.0

    @property
    def name(self) -> str:
        return "-".join(filter(None, (self.maker, self.animal, self.stage, str(self.seed))))

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
            if self.faults:
                settings["fault"] = "+".join(self.faults)
        elif self.maker == "control":
            settings |= {"kind": self.animal, "voxel": self.voxel}
        else:
            settings |= {"animal": self.animal, "stage": self.stage, "tilt": "any", "length": self.length}
            if self.voxel is not None:
                settings["voxel"] = self.voxel
            plain = Specimen(self.maker, self.animal, self.stage, self.seed)
            for name in ("noise", "wet", "cupping", "rings", "missing", "broken"):
                if getattr(self, name) != getattr(plain, name):
                    settings[name] = getattr(self, name)
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
    """The specimens the network learns from: both generators, unlike stages, scans; things without teeth."""
    return _listed("network")


def object_plan() -> list[Specimen]:
    """The specimens the models of objects and pairs learn from; the network has seen none of them."""
    return _listed("objects")


def quick_plan() -> list[Specimen]:
    """One coarse specimen for the network: enough to go the whole way, not to make a model of any worth."""
    return [Specimen("practice", "carnivore-like", "adult", 203, 0.14)]


def quick_object_plan() -> list[Specimen]:
    """Two coarse specimens for the models of objects and pairs."""
    return [
        Specimen("practice", "carnivore-like", "adult", 204, 0.16),
        Specimen("practice", "metatherian", "adult", 205, 0.16),
    ]


def _listed(models: str) -> list[Specimen]:
    with (Path(__file__).parent / "specimens.csv").open(newline="", encoding="utf-8") as handle:
        return [_specimen(row) for row in csv.DictReader(handle) if row["models"] == models]


def _specimen(row: dict[str, str]) -> Specimen:
    """One row of `specimens.csv`; what is left blank has its usual value."""
    read: dict[str, Any] = {
        "voxel": float, "length": float, "noise": float, "wet": "yes".__eq__, "cupping": float, "rings": float,
        "missing": int, "broken": int, "faults": lambda text: tuple(text.split("+")), "weight": float,
    }  # fmt: skip
    given = {name: as_value(row[name]) for name, as_value in read.items() if row[name]}
    return Specimen(row["maker"], row["animal"], row["stage"], int(row["seed"]), **given)


def measured_seeds(matrix: Path | None = None) -> set[tuple[str, int]]:
    """Maker and seed of everything the accuracy bench measures."""
    path = matrix or root_of_project() / "benchmarks" / "accuracy.toml"
    groups = tomllib.loads(path.read_text(encoding="utf-8"))["group"]
    return {(g["source"], int(s)) for g in groups for s in g["seed"]}


def check_apart(network: Sequence[Specimen], objects: Sequence[Specimen], measured: Iterable[tuple[str, int]]) -> None:
    """Refuse plans that share a seed of one maker with each other, with what is measured, or with `RESERVED`.

    Raises
    ------
    OssicleError
        On the first specimen that does.
    """
    taken = set(measured)
    learnt = [(s.maker, s.seed) for s in network]
    for s in [*network, *objects]:
        if (s.maker, s.seed) in taken or s.seed in RESERVED[s.maker]:
            raise OssicleError("this specimen's seed is kept for measuring", where=s.name, mend="train on another seed")
    for s in objects:
        if (s.maker, s.seed) in learnt:
            raise OssicleError(
                "the network learns from this specimen's seed, so its objects would look surer than they are",
                where=s.name,
                mend="take another seed for the objects",
            )


def make(specimen: Specimen, where: Path) -> Path:
    """Return the specimen's folder under ``where``, made first if it is not there; never half-written."""
    bench = specimen.in_bench()
    if specimen.maker != "practice":
        return make_foreign(bench, where)
    folder = where / f"{specimen.name}-{specimen.key()}"
    if (folder / "truth" / "truth.json").exists():
        return folder
    part = folder.with_name(folder.name + ".part")
    shutil.rmtree(part, ignore_errors=True)
    preset = f"{specimen.animal}-{specimen.stage}"
    practice.make(preset, part, seed=specimen.seed, voxel_mm=specimen.voxel, faults=list(specimen.faults), threads=1)
    shutil.rmtree(folder, ignore_errors=True)
    part.rename(folder)
    return folder


def load(folder: Path) -> Volumes:
    """Read a specimen's folder on the grid a reading works on (truth at the nearest voxel where it is another)."""
    grey = load_slices(folder)
    truth = json.loads((folder / "truth" / "truth.json").read_text(encoding="utf-8"))
    z, y, x = json.loads((folder / "scan.json").read_text(encoding="utf-8"))["spacing_mm_zyx"]
    grid = working_grid(grey, (float(z), float(y), float(x)))
    labels = grid.of_scan(load_volume(folder / "truth" / "labels.nii.gz")).astype(np.int32)
    tissue = grid.of_scan(load_volume(folder / "truth" / "tissue.nii.gz")).astype(np.uint8)
    return Volumes(grid.grey, labels, tissue, tuple(truth["teeth"]), grid.spacing_mm_zyx)
