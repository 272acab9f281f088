"""Local measures of a voxel's surroundings, from which tooth is told from bone.

All are taken on the volume normalised by `statistics.levels` (surround 0, bone 1) and in voxels, so that neither the
scan's grey values nor its millimetres matter. They are what a reader looks at: how bright it is here and around; how
even; whether it belongs to a sheet, a rod or a blob; how deep the dark gap beside it is; how far open space and
enamel lie; and over what lowest saddle one can walk from here to enamel (a root stays connected to its crown at a
level at which the socket is cut off by the periodontal gap).
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass

import cc3d
import edt
import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter

__all__ = ["FEATURES", "Normalised", "gap_cut", "measure", "valley_depth"]

FloatArray = npt.NDArray[np.float32]

_DIRECTIONS = (
    (1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, -1, 0), (1, 0, 1), (1, 0, -1),
    (0, 1, 1), (0, 1, -1), (1, 1, 1), (1, 1, -1), (1, -1, 1), (1, -1, -1),
)  # fmt: skip

FEATURES: tuple[str, ...] = (
    "grey", "grey 1", "grey 2", "grey 4", "firm mean 2", "firm mean 4", "spread 1.5", "spread 3", "slope",
    "curve 1 low", "curve 1 mid", "curve 1 high", "curve 2 low", "curve 2 mid", "curve 2 high",
    "valley 2", "valley 3", "valley near", "valley around", "least 2", "least 4", "most 2", "most 4", "most 8",
    "to air", "to open space", "to enamel", "saddle to enamel", "below saddle", "solid around 4", "solid around 8",
    "enamel level", "noise",
)  # fmt: skip


@dataclass(frozen=True)
class Normalised:
    """A volume with surround 0 and bone 1, float32 (z, y, x); its enamel level and noise in the same units."""

    values: FloatArray
    enamel: float
    noise: float


def valley_depth(values: FloatArray, reach: int = 2) -> FloatArray:
    """Return how far each voxel lies below both neighbours at about ``reach`` voxels, in the deepest of 13
    directions.

    Zero or more; positive in the sheet-like gaps round roots and between crowns, however thin and blurred.
    """
    depth = np.full(values.shape, -np.inf, np.float32)
    padded = np.pad(values, reach, mode="edge")
    nz, ny, nx = values.shape
    for direction in _DIRECTIONS:
        length = float(np.sqrt(sum(c * c for c in direction)))
        step = [round(c * reach / length) for c in direction]
        ahead = padded[tuple(slice(reach + o, reach + o + n) for o, n in zip(step, (nz, ny, nx), strict=True))]
        behind = padded[tuple(slice(reach - o, reach - o + n) for o, n in zip(step, (nz, ny, nx), strict=True))]
        np.maximum(depth, np.minimum(ahead, behind), out=depth)
    depth -= values
    return np.maximum(depth, 0, out=depth)


def gap_cut(volume: Normalised, *, strength: float = 1.5) -> FloatArray:
    """Return the grey values with every gap deepened:

    values less ``strength`` times the valley depth above its noise.
    """
    shallow = valley_depth(np.minimum(volume.values, 1.3)) - 1.5 * volume.noise
    np.maximum(shallow, 0, out=shallow)
    cut: FloatArray = volume.values - np.float32(strength) * shallow
    return cut


def measure(
    volume: Normalised,
    where: npt.NDArray[np.intp],
    *,
    threads: int = 1,
    tick: Callable[[], None] | None = None,
) -> npt.NDArray[np.float32]:
    """Measure `FEATURES` at the flat indices ``where``: float32 of shape (len(where), len(FEATURES)).

    The measures are taken ``threads`` at a time; each is the same whatever their number. Peak memory beside the result:
    about six float32 volumes a thread. ``tick`` is called between measures and may raise to cancel.
    """
    u = volume.values
    clipped = np.clip(u, -0.2, 3.0)
    one = gaussian_filter(clipped, 1.0)
    ceiling = np.minimum(u, 1.3)
    two = valley_depth(ceiling)
    cut = u - 1.5 * np.maximum(two - 1.5 * volume.noise, 0)
    firm = (u > 0.6).astype(np.float32)
    solid = one > 0.5
    top = 1 + 0.45 * (volume.enamel - 1)
    out = np.empty((len(where), len(FEATURES)), np.float32)
    out[:, FEATURES.index("enamel level")] = volume.enamel
    out[:, FEATURES.index("noise")] = volume.noise

    def put(name: str, field: npt.NDArray[np.generic]) -> None:
        out[:, FEATURES.index(name)] = field.ravel()[where]

    def blurred(name: str, field: FloatArray, sigma: float) -> None:
        put(name, gaussian_filter(field, sigma))

    def firm_mean(sigma: float) -> None:
        weight = np.maximum(gaussian_filter(firm, sigma), 1e-3)
        put(f"firm mean {sigma:g}", gaussian_filter(firm * clipped, sigma) / weight)

    def spread(sigma: float) -> None:
        mean = gaussian_filter(clipped, sigma)
        put(f"spread {sigma:g}", np.sqrt(np.maximum(gaussian_filter(clipped**2, sigma) - mean**2, 0)))

    def slope() -> None:
        steep = np.zeros_like(one)
        for axis in range(3):
            part = np.gradient(one, axis=axis)
            steep += part * part
        put("slope", np.sqrt(steep))

    def curves(name: str, sigma: float) -> None:
        first = FEATURES.index(f"{name} low")
        out[:, first : first + 3] = _curvatures(clipped, sigma, where)

    def distances() -> None:
        put("to air", np.minimum(edt.edt(solid, parallel=1), 12))
        away = edt.edt(~solid, parallel=1) > 4
        put("to open space", np.minimum(edt.edt(~away, parallel=1), 24))

    def enamel() -> None:
        bright = cut > top
        put("to enamel", np.minimum(edt.edt(~bright, parallel=1), 30))
        saddle = _saddle(cut, bright, top)
        put("saddle to enamel", saddle)
        put("below saddle", saddle - cut)

    share = solid.astype(np.float32)
    tasks: list[Callable[[], None]] = [
        enamel,
        lambda: curves("curve 1", 1.2),
        lambda: curves("curve 2", 2.4),
        distances,
        slope,
        lambda: put("grey", clipped),
        lambda: put("grey 1", one),
        lambda: blurred("grey 2", clipped, 2.0),
        lambda: blurred("grey 4", clipped, 4.0),
        lambda: firm_mean(2.0),
        lambda: firm_mean(4.0),
        lambda: spread(1.5),
        lambda: spread(3.0),
        lambda: put("valley 2", two),
        lambda: put("valley 3", valley_depth(ceiling, 3)),
        lambda: blurred("valley near", two, 1.5),
        lambda: blurred("valley around", two, 3.0),
        lambda: put("least 2", minimum_filter(one, 5)),
        lambda: put("least 4", minimum_filter(one, 9)),
        lambda: put("most 2", maximum_filter(one, 5)),
        lambda: put("most 4", maximum_filter(one, 9)),
        lambda: put("most 8", maximum_filter(one, 17)),
        lambda: blurred("solid around 4", share, 4.0),
        lambda: put("solid around 8", gaussian_filter(share, 8.0, truncate=3)),
    ]
    _run(tasks, threads, tick)
    return out


def _run(tasks: list[Callable[[], None]], threads: int, tick: Callable[[], None] | None) -> None:
    """Run ``tasks`` on a few threads, ticking as each ends; what a tick raises stops what has not begun."""
    if threads <= 1:
        for task in tasks:
            task()
            if tick is not None:
                tick()
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting = [pool.submit(task) for task in tasks]
        try:
            for done in as_completed(waiting):
                done.result()
                if tick is not None:
                    tick()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _saddle(cut: FloatArray, seeds: npt.NDArray[np.bool_], top: float, steps: int = 14) -> FloatArray:
    """Greatest of ``steps`` levels up to ``top`` at which a voxel is still joined to a seed through voxels above
    that level.
    """
    found = np.zeros(cut.shape, np.float32)
    for level in np.linspace(0.3, top, steps):
        labels = cc3d.connected_components(cut > level, connectivity=6, out_dtype=np.uint32)
        joined = np.zeros(int(labels.max()) + 1, bool)
        joined[labels[seeds]] = True
        joined[0] = False
        found[joined[labels]] = level
    return found


def _curvatures(values: FloatArray, sigma: float, where: npt.NDArray[np.intp]) -> npt.NDArray[np.float32]:
    """Eigenvalues of the Hessian at scale ``sigma`` (scale-normalised), rising: (n, 3)."""
    matrix = np.empty((len(where), 3, 3), np.float32)
    for a in range(3):
        for b in range(a, 3):
            order = [0, 0, 0]
            order[a] += 1
            order[b] += 1
            part = gaussian_filter(values, sigma, order=order, truncate=3).ravel()[where] * sigma**2
            matrix[:, a, b] = matrix[:, b, a] = part
    return np.linalg.eigvalsh(matrix).astype(np.float32)
