"""From tissue at model resolution to attenuation on the scan's grid: partial volume by block means."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.practice.scanner.materials import AIR, MATERIALS

__all__ = ["Model", "Progress", "checked_model", "each", "sampled"]

Progress = Callable[[str, float], None]
"""Called with the stage and the share done, 0 to 1; what it raises (`Cancelled`) stops the scan."""


@dataclass(frozen=True)
class Model:
    """A checked tissue model: ids or fractions, with the shape of the scan made from it.

    ``tissue`` (z, y, x, ids) or ``fractions`` (id to (z, y, x) shares, the rest being background), both at
    model resolution; ``density`` multiplies the attenuation voxel by voxel; ``factor`` model voxels make
    one scan voxel along z, y and x.
    """

    tissue: NDArray[np.uint8] | None
    fractions: Mapping[int, NDArray[Any]]
    density: NDArray[Any] | None
    factor: tuple[int, int, int]
    shape: tuple[int, int, int]
    background: int
    ids: tuple[int, ...]


def checked_model(
    tissue: NDArray[np.uint8] | Mapping[int, NDArray[Any]],
    density: NDArray[Any] | None,
    supersample: int | tuple[int, int, int],
    background: int,
) -> Model:
    """Return the model, checked.

    Raises
    ------
    OssicleError
        If arrays are not three-dimensional or of one shape, an id has no material, fractions or densities
        are negative or not finite, or the shape is not a multiple of ``supersample``.
    """
    factor = (supersample,) * 3 if isinstance(supersample, int) else tuple(supersample)
    if len(factor) != 3 or min(factor) < 1:
        raise OssicleError(f"{supersample} is not usable", where="supersample", mend="give 1 or more, or three of them")
    fractions = {} if isinstance(tissue, np.ndarray) else {int(k): v for k, v in tissue.items()}
    ids = tissue if isinstance(tissue, np.ndarray) else None
    arrays: list[NDArray[Any]] = [ids] if ids is not None else list(fractions.values())
    if not arrays:
        raise OssicleError("there is no tissue to scan", where="tissue", mend="give one fraction volume or more")
    full = arrays[0].shape
    for array in [*arrays, *([] if density is None else [density])]:
        if array.ndim != 3 or array.shape != full or min(array.shape) < 1:
            raise OssicleError(
                f"an array of shape {array.shape} does not fit {full}",
                where="tissue",
                mend="give (z, y, x) arrays of one shape",
            )
    if any(n % f for n, f in zip(full, factor, strict=True)):
        raise OssicleError(
            f"the shape {full} is not a multiple of {factor}",
            where="supersample",
            mend="pad the model or change the factor",
        )
    if ids is not None:
        if ids.dtype != np.uint8:
            raise OssicleError(f"tissue ids come as {ids.dtype}", where="tissue", mend="give uint8")
        present = tuple(int(i) for i in np.flatnonzero(np.bincount(ids.ravel(), minlength=256)))
    else:
        present = tuple(sorted({*fractions, background}))
        for key, share in fractions.items():
            low, high = float(share.min()), float(share.max())
            if not (low >= -1e-3 and high <= 1.001):
                raise OssicleError(
                    f"fractions of tissue {key} run from {low:g} to {high:g}",
                    where="tissue",
                    mend="keep them within 0 to 1",
                )
    unknown = [i for i in present if i not in MATERIALS]
    if unknown:
        listed = ", ".join(str(i) for i in unknown)
        raise OssicleError(f"no material has the id {listed}", where="tissue", mend="use the ids of MATERIALS")
    if density is not None and not (np.isfinite(density.max()) and float(density.min()) >= 0.0):
        raise OssicleError("the density factor is negative or not finite", where="density", mend="give 0 or more")
    shape = (full[0] // factor[0], full[1] // factor[1], full[2] // factor[2])
    present = tuple(sorted({background if i == AIR else i for i in present}))
    return Model(ids, fractions, density, (factor[0], factor[1], factor[2]), shape, background, present)


def sampled(
    model: Model, table: NDArray[np.float32], *, threads: int, progress: Progress | None = None
) -> NDArray[np.float32]:
    """Return a tabulated quantity on the scan's grid, mean over each voxel.

    Parameters
    ----------
    model
        The tissue.
    table
        The quantity for each id 0 to 255: shape (256,), or (256, k) for k quantities at once.

    Returns
    -------
    Array (z, y, x) of float32, or (k, z, y, x).
    """
    columns = table.reshape(256, -1).T.copy()
    columns[:, AIR] = columns[:, model.background]
    out = np.zeros((len(columns), *model.shape), dtype=np.float32)
    fz, fy, fx = model.factor
    nz, ny, nx = model.shape

    def work(z: int) -> None:
        rows = slice(z * fz, (z + 1) * fz)
        factor = None if model.density is None else model.density[rows].astype(np.float32)
        for k, column in enumerate(columns):
            if model.tissue is not None:
                full = column[model.tissue[rows]]
            else:
                full = np.full((fz, ny * fy, nx * fx), column[AIR], dtype=np.float32)
                for key, share in model.fractions.items():
                    if key not in (AIR, model.background):
                        full += (column[key] - column[AIR]) * share[rows].astype(np.float32)
            if factor is not None:
                full = full * factor
            out[k, z] = full.reshape(fz, ny, fy, nx, fx).mean(axis=(0, 2, 4)) if max(model.factor) > 1 else full[0]

    for done in each(range(nz), work, threads):
        if progress is not None and done % 16 == 0:
            progress("tissue to attenuation", done / nz)
    return out if table.ndim == 2 else out[0]


def each(items: range, work: Callable[[int], None], threads: int) -> Iterator[int]:
    """Do ``work`` on each item in ``threads`` threads; yield how many are done: the caller can stop."""
    if threads <= 1:
        for count, item in enumerate(items, start=1):
            work(item)
            yield count
        return
    with ThreadPoolExecutor(threads) as pool:
        futures = [pool.submit(work, item) for item in items]
        try:
            for count, future in enumerate(futures, start=1):
                future.result()
                yield count
        finally:
            for future in futures:
                future.cancel()
