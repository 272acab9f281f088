"""The whole reading of one specimen: tissue, pose, isolation, measures, names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from ossicle.anatomy import load_dentitions
from ossicle.scans.lazy import slab_bytes
from ossicle.scans.model import ArrayLike3D

from .alveoli import vacancies_of
from .bodies import Company, of_one_specimen
from .budget import threads_within
from .clock import Clock, Seen
from .elements import Element, find_elements
from .greys import Normalised
from .hints import Hints, said_to_be_teeth, shifted
from .isolate import Isolation, isolate, label_near, nothing, unknown_pose
from .measures import measure_teeth
from .naming import NameHint, name_teeth
from .outcome import ADULT, from_origin, moved, origin_of, parts_of, pictures, pose_in_scan, tooth_record
from .phantom import calibrated
from .records import (
    Calibration,
    Ground,
    Progress,
    Reading,
    ScanStatistics,
    ToothObservation,
)
from .sampling import coarse_for_teeth, steps_between
from .statistics import Levels, edge_blur
from .structures import structures_of
from .survey import survey
from .tissue_model import ToothChance, tooth_chance
from .working_grid import WorkingGrid, working_grid

__all__ = ["read"]

TOO_COARSE = 112
"""Resolved steps along the specimen under which its teeth cannot be parted.

A cheek tooth is seldom longer than a twelfth of the head, and nine steps are needed to tell its form. A step is a
voxel, or more where the scan's blur is wider than voxels of its size warrant (a scan drawn finer than it was made).
"""
USUAL_BLUR = 0.75
"""Blur (Gaussian sigma, voxels) of a scan whose voxels suit its resolution."""

STEPS = 70
"""Steps told during the isolation of teeth, about: blocks of the network and levels of the component tree."""


def read(
    volume_zyx: ArrayLike3D,
    spacing_mm_zyx: tuple[float, float, float],
    *,
    dentition: str = "auto",
    hints: Hints | None = None,
    right_handed: bool = True,
    specimen: int = 1,
    phantom: Sequence[float] | None = None,
    threads: int = 2,
    memory_mb: float | None = None,
    progress: Progress | None = None,
    seen: Seen | None = None,
) -> Reading:
    """Read one specimen from a volume.

    Parameters
    ----------
    volume_zyx
        Grey values (z, y, x), any real type; brighter is denser. In memory, or read slab by slab where it lies.
    spacing_mm_zyx
        Voxel spacing in mm.
    dentition
        The name of a dentition to hold the specimen to, or ``auto``.
    hints
        A person's decisions.
    right_handed
        Whether the axes (column, row, slice) of the grid are right-handed in the world; if not, sides are told
        accordingly.
    specimen
        Which of several heads in the scan is read, the largest being 1.
    phantom
        Densities (g/cm3 of hydroxyapatite) of the rods of a density phantom in the scan, by which greys are told as
        densities.
    threads
        How many threads may be used.
    memory_mb
        Most memory, MB, that may be used: fewer threads then, with the same results.
    progress
        Called with stage and share done; may raise `ossicle.errors.Cancelled`.
    seen
        Called with what has been found each time that there is more.

    Returns
    -------
    Reading
        Labels on the volume's own grid, and records. Where no tooth row is found, none is invented.

    Raises
    ------
    OssicleError
        There is no such specimen in the scan, or the memory allowed does not suffice.
    """
    with threadpool_limits(limits=1, user_api="blas"):  # sums in one order, whatever the machine
        return _read(
            volume_zyx,
            spacing_mm_zyx,
            dentition,
            hints or Hints(),
            right_handed,
            specimen,
            phantom,
            threads,
            memory_mb,
            Clock(progress, {}, seen),
        )


def _read(
    volume_zyx: ArrayLike3D,
    spacing_mm_zyx: tuple[float, float, float],
    dentition: str,
    hints: Hints,
    right_handed: bool,
    specimen: int,
    phantom: Sequence[float] | None,
    threads: int,
    memory_mb: float | None,
    clock: Clock,
) -> Reading:
    clock.start("tissue")
    looked = survey(volume_zyx, lambda share: clock.tick(0.25 * share))
    grid = working_grid(
        volume_zyx, spacing_mm_zyx, looked, threads=threads, share=lambda share: clock.tick(0.25 + 0.5 * share)
    )
    threads = threads_within(memory_mb, grid.grey.size, slab_bytes(volume_zyx), threads)
    warnings: list[str] = []
    grid, normal, levels, noise, company = of_one_specimen(volume_zyx, grid, specimen, warnings, threads=threads)
    statistics = _statistics(levels, normal, noise, grid.grey, grid.spacing_mm_zyx)
    statistics = replace(statistics, calibration=_calibration(company, phantom, warnings))
    clock.start("teeth")
    within = shifted(hints, grid.offset_mm_xyz)  # of the working grid; landmarks are told in scan mm
    isolation = _isolate(normal, levels, grid, steps_between(looked), right_handed, within, threads, clock)
    if isolation.refusal:
        warnings.append(isolation.refusal)
    warnings.extend(isolation.pose.questions)
    clock.show(isolation.labels, np.zeros((*isolation.labels.shape[:2], 1), np.int32), grid)
    clock.start("elements")
    first = int(isolation.labels.max()) + 1
    bones, elements = find_elements(
        isolation.labels,
        normal,
        grid.spacing_mm_zyx,
        isolation.pose.scan_to_skull,
        isolation.split,
        isolation.assignments,
        first,
    )
    clock.show(isolation.labels, bones, grid)
    clock.start("measures")
    rows = {key: row.points for key, row in isolation.rows.items()}
    observations = measure_teeth(
        isolation.labels,
        normal.values,
        normal.enamel,
        normal.noise,
        grid.spacing_mm_zyx,
        isolation.pose.scan_to_skull,
        isolation.assignments,
        rows,
        isolation.detection,
        blur=statistics.blur_sigma_mm / float(np.cbrt(np.prod(grid.spacing_mm_zyx))),
        threads=threads,
        tick=clock.tick,
    )
    observations = _with_look(observations, isolation)
    clock.start("names")
    naming = name_teeth(
        observations,
        load_dentitions(),
        dentition=dentition,
        fixed=_name_hints(within, isolation, grid.spacing_mm_zyx),
    )
    warnings.extend(naming.remarks)
    kept = {tooth.part for tooth in naming.teeth}
    seen = {o.part: o for o in observations}
    grown_up = naming.dental_age is not None and naming.dental_age[0] > ADULT
    teeth = tuple(tooth_record(t, seen[t.part], isolation, grid, grown_up) for t in naming.teeth)
    coarse = coarse_for_teeth([t.length_mm for t in teeth], grid.scan_spacing)
    warnings.extend([] if coarse is None else [coarse])
    table = np.zeros(first + 1, np.int32)
    table[list(kept)] = list(kept)
    tooth_labels = table[isolation.labels]
    vacant = vacancies_of(
        naming,
        seen,
        rows,
        normal.values,
        tooth_labels,
        grid.spacing_mm_zyx,
        np.asarray(isolation.pose.scan_to_skull, float),
    )
    clock.start("structures")
    origin = origin_of(naming, seen)
    pose = pose_in_scan(isolation.pose, grid, origin)
    structures, marked, laid = structures_of(
        normal,
        np.where(tooth_labels > 0, tooth_labels, bones),
        grid,
        pose,
        elements,
        teeth,
        statistics,
        hints.landmarks,
        threads=threads,
    )
    for term, mask in (("foreign object", company.metal), ("density phantom", company.phantom)):
        if mask.any():
            laid = [*laid, Element(max(int(marked.max()), *(e.label for e in laid), 0) + 1, "foreign", term, None, 0.9)]
            marked = np.where(mask & (marked == 0), laid[-1].label, marked).astype(np.int32)
    clock.start("pictures")
    views, row_records = pictures(normal, levels, tooth_labels, grid, isolation, naming)
    labels = grid.on_scan(marked)
    row_records = tuple(
        replace(row, curve_skull_mm=np.asarray(row.curve_skull_mm, float) - origin) for row in row_records
    )
    enamel = None
    if isolation.enamel is not None and teeth:
        enamel = grid.on_scan(isolation.enamel & (tooth_labels > 0))
    parts = parts_of(labels, teeth, [*elements, *laid], spacing_mm_zyx)
    clock.stop()
    return Reading(
        labels=labels,
        statistics=statistics,
        pose=pose,
        parts=parts,
        teeth=tuple(t for t in teeth),
        rows=row_records,
        formula=naming.formula,
        dentition=naming.dentition,
        dentition_confidence=naming.dentition_confidence,
        dentition_candidates=naming.candidates,
        views=views[0],
        view_spacing_mm=views[1],
        stages=clock.stages,
        warnings=tuple(dict.fromkeys([*warnings, *naming.anomalies])),
        enamel=enamel,
        observations=tuple(from_origin(seen[t.part], origin) for t in naming.teeth),
        ground=Ground(
            levels.surround,
            levels.surround + max(levels.bone - levels.surround, 1e-9),
            normal.sigma,
            grid.factor,
            normal.enamel,
            normal.noise,
        ),
        structures=structures,
        vacancies=tuple(replace(v, middle=moved(v.middle, -origin)) for v in vacant),
    )


def _calibration(company: Company, phantom: Sequence[float] | None, warnings: list[str]) -> Calibration | None:
    if phantom is not None:
        return calibrated(company.rods, phantom)
    if company.rods:
        warnings.append(
            f"{len(company.rods)} rods stand in the scan, like those of a density phantom; they were left out of the "
            "reading. State their densities with --phantom to have greys told as densities."
        )
    return None


def _statistics(
    levels: Levels,
    normal: Normalised,
    noise: float,
    grey: npt.NDArray[np.float32],
    spacing: tuple[float, float, float],
) -> ScanStatistics:
    contrast = max(levels.bone - levels.surround, 1e-9)
    blur = edge_blur(grey, levels.surround, levels.bone)
    return ScanStatistics(
        air=levels.air,
        soft=None,
        bone=levels.bone,
        dentine=levels.dentine,
        enamel=levels.surround + normal.enamel * contrast if normal.enamel > 1.15 else None,
        noise_sigma=noise,
        blur_sigma_mm=blur * float(np.cbrt(np.prod(spacing))),
        contrast_to_noise=contrast / max(noise, 1e-9),
        wet=levels.surround - levels.air > 0.15 * contrast,
    )


def _isolate(
    normal: Normalised,
    levels: Levels,
    grid: WorkingGrid,
    between: tuple[float, float, float],
    right_handed: bool,
    hints: Hints,
    threads: int,
    clock: Clock,
) -> Isolation:
    shape = normal.values.shape
    if not levels.separable:
        return nothing(shape, unknown_pose(), 0.0, "No tissue stands out from the noise, so no tooth row was found.")
    solid = np.argwhere(normal.values[::2, ::2, ::2] > 0.5)
    extent = 2 * np.ptp(solid, axis=0) if len(solid) else np.zeros(3, int)
    longest = int(extent.max())
    steps = longest / max(1.0, edge_blur(grid.grey, levels.surround, levels.bone) / USUAL_BLUR)
    if grid.factor < 1:  # drawn finer than it was scanned
        longest = round(longest * grid.factor)
        steps = min(steps, longest)
    steps = min(steps, float((extent * grid.factor / between).max()))
    if steps < TOO_COARSE:
        return nothing(
            shape,
            unknown_pose(),
            0.0,
            f"The specimen is only {longest} voxels long and about {steps:.0f} steps of its own sharpness: "
            "too coarse to tell teeth apart, so none is named.",
        )
    done = [0]

    def tick() -> None:
        done[0] += 1
        clock.tick(done[0] / STEPS)

    chance: ToothChance = tooth_chance(normal, threads=threads, tick=tick)
    return isolate(normal, chance, grid.spacing_mm_zyx, right_handed=right_handed, hints=hints, tick=tick)


def _with_look(observations: list[ToothObservation], isolation: Isolation) -> list[ToothObservation]:
    """Observations with what the voxels of each tooth say of its generation and class."""
    told = isolation.said
    if told is None:
        return observations
    out = []
    for o in observations:
        i, c, p, m = (float(v) for v in told.form[o.part])
        out.append(replace(o, deciduous=float(told.deciduous[o.part]), form=(i, c, p, m)))
    return out


def _name_hints(hints: Hints, isolation: Isolation, spacing: tuple[float, float, float]) -> Mapping[int, NameHint]:
    from ossicle.anatomy import ToothName

    # Whatever a person called a tooth stays one, though it may fit no place of the row.
    taken = (label_near(isolation.labels, np.array(spacing), p) for p in said_to_be_teeth(hints))
    out: dict[int, NameHint] = {part: NameHint() for part in taken if part}
    for said in hints.names:
        part = label_near(isolation.labels, np.array(spacing), said.point_mm)
        if part == 0:
            continue
        if said.name is None:
            out[part] = NameHint(generation=said.generation)
            continue
        name = ToothName.parse(said.name)
        out[part] = NameHint(name.locus.tooth_class, name.locus.position, said.generation or name.generation)
    return out
