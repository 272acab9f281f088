"""What depends on whole paths, for image mode: beam hardening and where the noise is strong.

Both are smooth, and are worked out from line integrals of the volume on a coarse grid (64 pixels across at
most, 128 with metal), then put on the full grid by linear interpolation.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse

from ossicle.practice.scanner.materials import BONE, mu
from ossicle.practice.scanner.projector import (
    Matrix,
    ParallelField,
    filtered_back_projection,
    mean_along_rays,
    view_matrix,
)
from ossicle.practice.scanner.sampling import each
from ossicle.practice.scanner.settings import ScannerSettings

__all__ = ["Coarse", "coarse_paths", "hardening", "noise_strength"]

Layers = Callable[[int], NDArray[np.float32]]


@dataclass(frozen=True)
class Coarse:
    """Line integrals of a volume on a coarse grid.

    Attributes
    ----------
    field, angles
        The coarse slices with their detector, and the views' angles.
    parts
        Coarse volumes (k, z, y, x): attenuation without metal, 1/cm, then each metal's share.
    lines
        Their line integrals (views, pixels, k, z): plain numbers, then cm.
    metals
        Tissue ids of the metals, in order.
    step, step_z, shape
        Pixels and slices to a coarse one, and the full shape (z, y, x).
    """

    field: ParallelField
    angles: NDArray[np.float64]
    parts: NDArray[np.float32]
    lines: NDArray[np.float32]
    metals: tuple[int, ...]
    step: int
    step_z: int
    shape: tuple[int, int, int]


def coarse_paths(
    volume: NDArray[np.float32],
    metals: Mapping[int, NDArray[np.float32]],
    spacing: tuple[float, float, float],
    settings: ScannerSettings,
    threads: int,
) -> Coarse:
    """Return line integrals of attenuation (z, y, x), 1/cm; ``metals`` holds each metal's share."""
    nz, ny, nx = volume.shape
    step = max(1, -(-max(ny, nx) // (128 if metals else 64)))
    step_z = max(1, int(step * min(spacing[1:]) / spacing[0]))
    plain = _blocks(volume, step_z, step)
    shares = [_blocks(share, step_z, step) for share in metals.values()]
    for i, share in zip(metals, shares, strict=True):
        plain -= np.float32(mu(i, settings.effective_kev)) * share
    parts = np.stack([np.maximum(plain, 0.0), *shares])
    k, cz, cy, cx = parts.shape
    field = ParallelField.around((cy, cx), (spacing[1] * step / 10, spacing[2] * step / 10))
    count = int(np.ceil(np.pi / 2 * max(cy, cx)))
    angles = np.pi * np.arange(count) / count
    columns = np.ascontiguousarray(parts.reshape(k * cz, -1).T)
    lines = np.empty((count, field.pixels, k, cz), dtype=np.float32)

    def project(view: int) -> None:
        lines[view] = (view_matrix(field, float(angles[view])) @ columns).reshape(field.pixels, k, cz)

    for _ in each(range(count), project, threads):
        pass
    return Coarse(field, angles, parts, lines, tuple(metals), step, step_z, (nz, ny, nx))


def hardening(
    coarse: Coarse,
    volume: NDArray[np.float32],
    metals: Mapping[int, NDArray[np.float32]],
    settings: ScannerSettings,
    threads: int,
) -> None:
    """Lower attenuation (z, y, x), 1/cm, in place as a hardened beam does.

    Line integrals p become p - b p^2. For a disc of attenuation m and radius R the Abel inversion of the
    loss is b m^2 (8 / pi) sqrt(R^2 - r^2), which gives b for the loss asked for in the middle of a bone
    disc. Paths through metal harden by the beam's own spectrum, with bone before or behind them.
    """
    kev, spectrum = settings.effective_kev, settings.spectrum
    field, lines = coarse.field, coarse.lines
    radius = min(field.ny * field.sy, field.nx * field.sx) / 4
    b = settings.cupping * np.pi / (8 * settings.bone_contrast * radius)
    bone = mu(BONE, spectrum.kev) / mu(BONE, kev)
    views = np.empty((lines.shape[3], *lines.shape[:2]), dtype=np.float32)

    def harden(view: int) -> None:
        plain = lines[view, :, 0]
        p = np.minimum(plain, 0.5 / b) if b > 0 else plain
        change = -b * p**2 - (plain - p)
        through = (lines[view, :, 1:] > 1e-4).any(axis=1)
        if through.any():
            depth = plain[through][:, None] * bone
            before = np.einsum("re,e->r", np.exp(-depth), spectrum.signal)
            kept = np.zeros(len(depth))
            for k, i in enumerate(coarse.metals, start=1):
                length = lines[view, :, k][through]
                depth = depth + length[:, None] * mu(i, spectrum.kev)
                kept += length * mu(i, kev)
            behind = np.einsum("re,e->r", np.exp(-depth), spectrum.signal)
            change[through] += np.log(before) - np.log(behind) - kept
        views[:, view] = change.T

    for _ in each(range(len(lines)), harden, threads):
        pass
    change = filtered_back_projection(views, coarse.angles, field, threads)
    # What is lost in proportion to the matter itself is taken off at full resolution; the rest is smooth.
    own = _regression(coarse.parts, change)
    for factor, part in zip(own, coarse.parts, strict=True):
        change -= factor * part
    if coarse.metals:
        near = ndimage.binary_dilation(coarse.parts[1:].sum(axis=0) > 0)
        weight = ndimage.gaussian_filter((~near).astype(np.float32), 2.0)
        around = ndimage.gaussian_filter(np.where(near, 0, change), 2.0) / np.maximum(weight, 1e-3)
        change = np.where(near, around, change)
    smooth = _layers(coarse, change)

    def lower(z: int) -> None:
        matter = volume[z].copy()
        for i, factor in zip(coarse.metals, own[1:], strict=True):
            volume[z] += factor * metals[i][z]
            matter -= np.float32(mu(i, kev)) * metals[i][z]
        volume[z] += own[0] * matter + smooth(z)

    for _ in each(range(len(volume)), lower, threads):
        pass


def noise_strength(coarse: Coarse, settings: ScannerSettings, threads: int) -> Layers:
    """Return, as a function of the slice, the noise (y, x) over that at the axis where the specimen is thick.

    A ray's line integral varies as the inverse of the photons that pass; a pixel's noise has the mean of
    its rays' variances (Kak & Slaney 1988, ch. 5).
    """
    total = coarse.lines[:, :, 0].copy()
    for k, i in enumerate(coarse.metals, start=1):
        total += coarse.lines[:, :, k] * np.float32(mu(i, settings.effective_kev))
    inverse = np.exp(np.minimum(total, 8.0)).transpose(2, 0, 1)
    variance = mean_along_rays(np.ascontiguousarray(inverse), coarse.angles, coarse.field, threads)
    _, cy, cx = variance.shape
    middle = coarse.field.pixels // 2
    matter = total[:, middle - 1 : middle + 1].mean(axis=(0, 1))
    thick = matter >= 0.5 * matter.max()
    axis = variance[thick, (cy - 1) // 2 : cy // 2 + 1, (cx - 1) // 2 : cx // 2 + 1].mean()
    return _layers(coarse, np.sqrt(variance / axis))


def _regression(parts: NDArray[np.float32], values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the factors of the parts (k, z, y, x) whose sum is nearest to the values (z, y, x)."""
    known = parts.reshape(len(parts), -1).astype(np.float64)
    target = values.ravel().astype(np.float64)
    products = np.array([[np.sum(a * b) for b in known] for a in known])
    against = np.array([np.sum(a * target) for a in known])
    return np.asarray(np.linalg.lstsq(products, against, rcond=None)[0], dtype=np.float32)


def _layers(coarse: Coarse, values: NDArray[np.float32]) -> Layers:
    """Return a function that gives a full slice (y, x) of coarse values (z, y, x) by linear interpolation."""
    _, ny, nx = coarse.shape
    count = len(values)
    along_y = _hat((np.arange(ny) + 0.5) / coarse.step - 0.5, values.shape[1])
    along_x = _hat((np.arange(nx) + 0.5) / coarse.step - 0.5, values.shape[2])

    def layer(z: int) -> NDArray[np.float32]:
        at = min(max((z + 0.5) / coarse.step_z - 0.5, 0.0), count - 1.0)
        low = min(int(at), max(count - 2, 0))
        high = min(low + 1, count - 1)
        mixed = values[low] + np.float32(at - low) * (values[high] - values[low])
        return (along_x @ np.ascontiguousarray((along_y @ mixed).T)).T

    return layer


def _hat(at: NDArray[np.float64], count: int) -> Matrix:
    """Return the matrix (positions, count) that interpolates linearly, the ends held."""
    inside = np.clip(at, 0, count - 1)
    dense = np.maximum(0.0, 1.0 - np.abs(inside[:, None] - np.arange(count)))
    matrix: Matrix = sparse.csr_array(dense.astype(np.float32))
    return matrix


def _blocks(volume: NDArray[np.float32], step_z: int, step: int) -> NDArray[np.float32]:
    """Return means over blocks of ``step_z`` slices and ``step`` by ``step`` pixels, edges repeated."""
    if step_z == step == 1:
        return volume.copy()
    nz, ny, nx = volume.shape
    padded = np.pad(volume, ((0, -nz % step_z), (0, -ny % step), (0, -nx % step)), mode="edge")
    cz, cy, cx = padded.shape[0] // step_z, padded.shape[1] // step, padded.shape[2] // step
    blocks = padded.reshape(cz, step_z, cy, step, cx, step)
    return np.asarray(blocks.mean(axis=(1, 3, 5)), dtype=np.float32)
