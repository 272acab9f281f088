"""From a preset to a specimen in memory, to a folder on disk."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle import __version__
from ossicle.errors import OssicleError
from ossicle.practice.animals import animal, animals
from ossicle.practice.faults import FAULTS, afflict, checked, side_ages
from ossicle.practice.files import write_folder
from ossicle.practice.mix import FLUID, FOAM, truth_tissue
from ossicle.practice.scanner import ScannerSettings, scan_volume
from ossicle.practice.scanner import preset as scanner_preset
from ossicle.practice.specimen import anatomy, outer_points, random_rotation
from ossicle.practice.surroundings import lay_out, surround
from ossicle.practice.truth import truth as truth_of
from ossicle.practice.voxels import Specimen, merge, voxelise

__all__ = ["FAULTS", "Made", "Preset", "build", "make", "presets"]

Progress = Callable[[str, float], None]
FINER = {"newborn": 0.75, "juvenile": 0.8}
"""A small specimen fills the field of view of a scanner set to it: its voxels are finer."""
STAGES = ("newborn", "juvenile", "subadult", "adult", "old")
"""From young to old; said here too, since what makes practice specimens knows nothing of what reads them."""


@dataclass(frozen=True)
class Preset:
    """A practice specimen that can be made: an invented animal at a growth stage."""

    name: str
    animal: str
    stage: str
    title: str
    voxel_mm: float


@dataclass(frozen=True)
class Made:
    """A specimen as made: the scan's grey values, the labels, the tissues, and the truth."""

    values: NDArray[Any]
    labels: NDArray[np.uint16]
    tissue: NDArray[np.uint8]
    spacing_mm_zyx: tuple[float, float, float]
    truth: dict[str, Any]
    sidecar: dict[str, Any]
    specimen: Specimen


@cache
def presets() -> Mapping[str, Preset]:
    """All presets by name (``animal-stage``)."""
    out = {}
    for name in animals():
        beast = animal(name)
        voxel = float(beast.design.get("voxel", 0.11))
        for stage in STAGES:
            if stage in beast.stages:
                key = f"{name}-{stage}"
                out[key] = Preset(key, name, stage, f"{stage} {beast.title}", round(voxel * FINER.get(stage, 1.0), 4))
    return MappingProxyType(out)


def build(
    preset: str,
    *,
    seed: int = 1,
    voxel_mm: float | tuple[float, float, float] | None = None,
    settings: ScannerSettings | None = None,
    faults: Sequence[str] = (),
    tilt_deg: float = 22.0,
    gape_deg: float = 0.0,
    threads: int = 2,
    progress: Progress | None = None,
) -> Made:
    """Make a specimen in memory.

    Parameters
    ----------
    preset
        A name from :func:`presets`.
    seed
        Same seed, same specimen, same scan.
    voxel_mm
        Voxel edge in mm, or spacing (z, y, x).
    settings
        How it is scanned; the scanner's ``typical`` for the finest edge of the voxel when not given.
    faults
        Names from :data:`FAULTS`, which combine.
    tilt_deg
        How far at most the skull lies from square in the scan, degrees; which way round it lies is left to
        chance.
    gape_deg
        The least gape of the jaws, degrees; they open further where teeth would meet.

    Raises
    ------
    OssicleError
        If the preset or a fault is unknown or a value makes no sense.
    """
    known = presets()
    if preset not in known:
        raise OssicleError(f"there is no practice preset called {preset!r}", mend=f"choose one of {', '.join(known)}")
    p = known[preset]
    spacing = _spacing(p.voxel_mm if voxel_mm is None else voxel_mm)
    wrong = checked(faults)
    how = settings if settings is not None else scanner_preset("typical", min(spacing))
    if "wet" in wrong:
        how = replace(how, background=FLUID)
    say = progress or (lambda _what, _share: None)
    rng = np.random.default_rng([seed, 7])
    bodies = []
    for i in range(2 if "two-specimens" in wrong else 1):
        say("lay out the anatomy", 0.5 * i)
        own = np.random.default_rng([seed, 11 + i])
        a = anatomy(p.animal, p.stage, seed + 1000 * i, gape=gape_deg, ahead=side_ages(wrong, own))
        bodies.append(afflict(a, wrong, own))
    turns = [random_rotation(rng, tilt_deg) for _ in bodies]
    size = bodies[0].animal.scale
    fine = (spacing[0] / size, spacing[1] / size, spacing[2] / size)
    margin = max(1.0, 4 * max(fine))
    field = lay_out([outer_points(a) for a in bodies], turns, fine, margin, size, wrong, rng)
    wet = how.background == FLUID
    soft = 1.0 if wet else float(rng.uniform(0.25, 1.0))
    specimens = [voxelise(a, grid, soft, say) for a, grid in zip(bodies, field.grids, strict=True)]
    for other in specimens[1:]:
        merge(specimens[0], other)
    s = specimens[0]
    surround(s, field, wrong, rng)
    say("scan", 0.0)
    scan = scan_volume(_shares(s), spacing, how, rng, density=s.mix.density, threads=threads, progress=say)
    tissue = truth_tissue(s.mix)
    if wet or how.background == FOAM:
        tissue[tissue == 0] = 6 if wet else 5
    labels = s.labels
    if how.mirrored:
        for one in specimens:
            one.mirrored = True
        labels = np.ascontiguousarray(labels[:, :, ::-1])
        tissue = np.ascontiguousarray(tissue[:, :, ::-1])
    record = {
        "shape_zyx": list(scan.values.shape),
        "spacing_mm_zyx": list(spacing),
        "mirrored": how.mirrored,
        "noise": how.noise,
        "blur_mm": how.blur_mm,
    }
    made_by = {
        "version": __version__,
        "settings": {
            "scanner": asdict(how),
            "mode": scan.note,
            "voxel_mm_zyx": list(spacing),
            "tilt_deg": tilt_deg,
            "gape_deg": gape_deg,
            "soft_left": round(soft, 3),
        },
    }
    sidecar = {
        "spacing_mm_zyx": list(spacing),
        "grey_unit": "attenuation counts",
        "invented": True,
        "note": f"Invented practice specimen: {p.title}. {scan.note}",
        "grey_per_attenuation_cm": scan.grey_per_attenuation,
        "grey_at_zero_attenuation": scan.grey_at_zero,
    }
    if scan.phantom:
        sidecar["phantom"] = [
            {
                "material": "hydroxyapatite",
                "density_g_cm3": r.density,
                "radius_mm": r.radius_mm,
                "centre_mm_xy": [float(v) for v in r.centre_mm_xy],
            }
            for r in scan.phantom
        ]
    return Made(scan.values, labels, tissue, spacing, truth_of(specimens, made_by, record), sidecar, s)


def _shares(s: Specimen) -> dict[int, NDArray[np.float16]]:
    """The materials' shares as fractions; what is left over is the scanner's background."""
    return {m: (v * np.float16(1 / 255)).astype(np.float16) for m, v in s.mix.share.items()}


def make(
    preset: str,
    out: Path,
    *,
    seed: int = 1,
    voxel_mm: float | tuple[float, float, float] | None = None,
    settings: ScannerSettings | None = None,
    progress: Progress | None = None,
    **options: Any,
) -> Path:
    """Make a specimen and write its folder; returns the folder. Options are those of :func:`build`."""
    out = Path(out)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise OssicleError("there is something here already", where=out, mend="name a folder that does not exist yet")
    m = build(preset, seed=seed, voxel_mm=voxel_mm, settings=settings, progress=progress, **options)
    return write_folder(out, m.values, m.spacing_mm_zyx, m.labels, m.tissue, m.truth, m.sidecar, progress)


def _spacing(voxel: float | tuple[float, float, float]) -> tuple[float, float, float]:
    z, y, x = (voxel,) * 3 if isinstance(voxel, int | float) else voxel
    if not all(0.01 <= float(v) <= 2.0 for v in (z, y, x)):
        raise OssicleError(f"a voxel of {voxel} mm is not usable here", where="voxel_mm", mend="give 0.01 to 2 mm")
    return float(z), float(y), float(x)
