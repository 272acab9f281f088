"""Projections mode: a scan made as a scanner makes it, from line integrals to reconstructed slices.

1. Attenuation by tissue and energy is written with few basis functions (two or three suffice for soft and
mineralised tissue, as
   photoelectric absorption and scatter each have one shape; Alvarez & Macovski 1976, Phys. Med. Biol.
   21:733), found by singular values and kept until every tissue is right to one part in a thousand.
2. Line integrals of the basis volumes, then Beer's law summed over the spectrum.
3. The detector: blur, counting noise, electronic noise, gain errors.
4. Filtered back-projection (parallel) or the method of Feldkamp, Davis and Kress (cone).

Photons scattered in the specimen, afterglow, and movement are left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.practice.scanner import detector
from ossicle.practice.scanner.cone import ConeField, cone_view, feldkamp
from ossicle.practice.scanner.materials import mu
from ossicle.practice.scanner.phantom import PhantomRod, rod_fraction
from ossicle.practice.scanner.projector import ParallelField, filtered_back_projection, view_matrix
from ossicle.practice.scanner.sampling import Model, Progress, each, sampled
from ossicle.practice.scanner.settings import ScannerSettings
from ossicle.practice.scanner.spectrum import Spectrum

__all__ = ["Basis", "basis", "reconstructed"]

Spacing = tuple[float, float, float]


@dataclass(frozen=True)
class Basis:
    """Attenuation as a sum: that of tissue i at energy e is ``table[i] @ functions[:, e]``, in 1/cm.

    ``table`` has shape (256, k), NaN for ids without a material; ``functions`` has shape (k, energies).
    """

    table: NDArray[np.float32]
    functions: NDArray[np.float32]


def basis(ids: tuple[int, ...], spectrum: Spectrum, tolerance: float = 1e-3) -> Basis:
    """Return the fewest basis functions that keep every tissue right to ``tolerance`` at all energies."""
    values = np.stack([mu(i, spectrum.kev) for i in ids])
    scale = np.maximum(values, 1e-3 * values.max(axis=0))
    left, strengths, right = np.linalg.svd(values / values.mean(axis=0), full_matrices=False)
    for kept in range(1, len(strengths) + 1):
        functions = right[:kept] * values.mean(axis=0)
        shares = left[:, :kept] * strengths[:kept]
        if np.max(np.abs(shares @ functions - values) / scale) <= tolerance:
            break
    table = np.full((256, kept), np.nan, dtype=np.float32)
    table[list(ids)] = shares
    return Basis(table, functions.astype(np.float32))


def reconstructed(
    model: Model,
    spacing: Spacing,
    settings: ScannerSettings,
    rods: tuple[PhantomRod, ...],
    rng: np.random.Generator,
    threads: int,
    progress: Progress | None,
) -> NDArray[np.float32]:
    """Return attenuation (z, y, x), 1/cm, as reconstructed from a scan of the model."""
    nz, ny, nx = model.shape
    spacing_cm = (spacing[0] / 10, spacing[1] / 10, spacing[2] / 10)
    cone = _cone_field(model.shape, spacing_cm, settings) if settings.geometry == "cone" else None
    offset = settings.centre_offset_px
    plane = ParallelField.around((ny, nx), spacing_cm[1:], offset) if cone is None else cone.plane
    turn = np.pi if cone is None else 2 * np.pi
    wanted = settings.views or int(np.ceil(turn / 2 * max(ny, nx)))
    angles = turn * np.arange(wanted) / wanted
    views = _transmissions(
        model, spacing, settings.spectrum, rods, plane if cone is None else cone, angles, threads, progress
    )
    gains, photons = _detector(views, plane, spacing, settings, rng)
    blur_px = (settings.blur_mm / (10 * plane.pitch), settings.blur_mm / spacing[0])
    seeds = rng.integers(0, 2**63, size=wanted)

    def measure(view: int) -> None:
        views[view] = detector.counted(views[view], photons, settings.electronic, gains, blur_px, int(seeds[view]))

    _run("detector", wanted, measure, threads, progress)
    if cone is not None:
        if progress is not None:
            progress("reconstruction", 0.0)
        return feldkamp(views, angles, cone, threads)
    out = np.empty(model.shape, dtype=np.float32)
    slab = 64
    for start in range(0, nz, slab):
        if progress is not None:
            progress("reconstruction", start / nz)
        part = np.ascontiguousarray(views[:, :, start : start + slab].transpose(2, 0, 1))
        out[start : start + slab] = filtered_back_projection(part, angles, plane, threads)
    return out


def _transmissions(
    model: Model,
    spacing: Spacing,
    spectrum: Spectrum,
    rods: tuple[PhantomRod, ...],
    field: ParallelField | ConeField,
    angles: NDArray[np.float64],
    threads: int,
    progress: Progress | None,
) -> NDArray[np.float32]:
    """Return shares of the open beam (views, pixels, rows) that reach a perfect detector."""
    nz, ny, nx = model.shape
    chosen = basis(tuple(sorted({0, *model.ids, *(rod.tissue for rod in rods)})), spectrum)
    kinds = chosen.table.shape[1]
    volume = np.empty((ny * nx, kinds * nz), dtype=np.float32)
    fractions = [rod_fraction(rod, (ny, nx), spacing[1:]).ravel() for rod in rods]
    for kind in range(kinds):
        part = sampled(model, chosen.table[:, kind], threads=threads, progress=progress).reshape(nz, -1)
        for rod, share in zip(rods, fractions, strict=True):
            part += share * (chosen.table[rod.tissue, kind] - part)
        volume[:, kind * nz : (kind + 1) * nz] = part.T
    pixels, rows = (field.pixels, nz) if isinstance(field, ParallelField) else (field.plane.pixels, field.rows)
    views = np.empty((len(angles), pixels, rows), dtype=np.float32)

    def project(view: int) -> None:
        if isinstance(field, ParallelField):
            lines = (view_matrix(field, float(angles[view])) @ volume).reshape(pixels, kinds, nz)
        else:
            lines = cone_view(field, volume, float(angles[view]), kinds)
        views[view] = transmitted(lines, chosen, spectrum)

    _run("projections", len(angles), project, threads, progress)
    return views


def transmitted(lines: NDArray[np.float32], chosen: Basis, spectrum: Spectrum) -> NDArray[np.float32]:
    """Return the share of the open beam's signal that passes the line integrals (pixels, kinds, rows)."""
    out = np.zeros((lines.shape[0], lines.shape[2]), dtype=np.float32)
    for share, functions in zip(spectrum.signal, chosen.functions.T, strict=True):
        depth = functions[0] * lines[:, 0]
        for kind in range(1, len(functions)):
            depth += functions[kind] * lines[:, kind]
        out += np.float32(share) * np.exp(-depth)
    return out


def _detector(
    views: NDArray[np.float32],
    plane: ParallelField,
    spacing: Spacing,
    settings: ScannerSettings,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float32] | None, float | None]:
    """Return the detector's gain errors, if any, and the open-beam photons, if noise is asked for."""
    contrast = settings.bone_contrast
    gains: NDArray[np.float32] | None = None
    if settings.rings > 0:
        quarter = min(plane.ny, plane.nx) / 4
        rms = (
            settings.rings
            * contrast
            / detector.ring_gain(plane.pixels, quarter, plane.pitch, both=settings.geometry == "cone")
        )
        gains = rms * detector.gain_errors(views.shape[2], plane.pixels, rng)
    photons = settings.photons
    if photons is None and settings.noise > 0:
        half = float(np.sqrt(0.5))
        blur_px = (half * settings.blur_mm / (10 * plane.pitch), half * settings.blur_mm / spacing[0])
        gain = detector.noise_gain(len(views), plane.pitch, blur_px)
        middle = plane.pixels // 2 + int(settings.centre_offset_px)
        through = views[:, middle - 2 : middle + 3]
        matter = -np.log(np.maximum(through, 1e-6)).mean(axis=(0, 1))
        through = through[:, :, matter >= 0.5 * matter.max()]
        photons = detector.photons_for(settings.noise * contrast, gain, through, settings.electronic)
    return gains, photons


def _cone_field(shape: tuple[int, int, int], spacing_cm: Spacing, settings: ScannerSettings) -> ConeField:
    """Return the cone's field; the source stands as asked for, or at three widths of the field."""
    width = max(shape[1] * spacing_cm[1], shape[2] * spacing_cm[2])
    reach = float(np.hypot(shape[1] * spacing_cm[1], shape[2] * spacing_cm[2])) / 2
    source = 3 * width if settings.source_mm is None else settings.source_mm / 10
    if source < 1.5 * reach:
        raise OssicleError(
            f"the source at {10 * source:g} mm is too near",
            where="source_mm",
            mend=f"give {15 * reach:.1f} mm or more",
        )
    return ConeField.around(shape, spacing_cm, source, settings.centre_offset_px)


def _run(stage: str, count: int, work: Callable[[int], None], threads: int, progress: Progress | None) -> None:
    """Do ``work`` on 0 .. ``count`` - 1 in threads, with progress."""
    for done in each(range(count), work, threads):
        if progress is not None and done % 16 == 0:
            progress(stage, done / count)
