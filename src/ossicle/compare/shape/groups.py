"""Do two groups differ in mean shape? Hotelling's T2, Goodall's F, and a permutation test with a seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from ossicle.errors import OssicleError

from .procrustes import checked_sample, distance, shape_dimensions, superimpose, tangent

__all__ = ["GroupTest", "goodall", "hotelling", "mean_shape", "permuted"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class GroupTest:
    """A test of two groups: its statistic, degrees of freedom (none for a permutation), p, and what it rests on."""

    name: str
    statistic: float
    freedom: tuple[float, float] | None
    p: float
    distance: float
    """Procrustes distance (radians) of the two mean shapes."""
    counts: tuple[int, int]
    note: str = ""


def mean_shape(sample: npt.ArrayLike) -> FloatArray:
    """Return the mean shape (p, k) of a sample: that of its Procrustes coordinates, unit centroid size."""
    return superimpose(sample).mean


def _both(a: npt.ArrayLike, b: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, y = checked_sample(a), checked_sample(b)
    if x.shape[1:] != y.shape[1:]:
        raise OssicleError(
            f"groups with landmarks of the form {x.shape[1:]} and {y.shape[1:]} cannot be compared",
            mend="give the same landmarks of both",
        )
    return x, y


def hotelling(a: npt.ArrayLike, b: npt.ArrayLike) -> GroupTest:
    """Hotelling's two-sample T2 in the space tangent at the pooled mean, as F (Dryden & Mardia 1998, chapter 7).

    ``a`` and ``b`` are samples (n, p, k). It takes equal covariances for granted.

    Raises
    ------
    OssicleError
        There are too few specimens for the dimensions of shape; the permutation test serves then.
    """
    x, y = _both(a, b)
    n, m = len(x), len(y)
    wide = shape_dimensions(*x.shape[1:])
    left = n + m - wide - 1
    if left < 1:
        raise OssicleError(
            f"Hotelling's test of {wide} dimensions of shape needs {wide + 2} specimens or more, and there are {n + m}",
            mend="use the permutation test, or fewer landmarks",
        )
    laid = superimpose(np.concatenate([x, y]))
    flat = tangent(laid.coordinates, laid.mean)
    flat = flat - flat.mean(axis=0)
    _, _, axes = np.linalg.svd(flat, full_matrices=False)
    scores = flat @ axes[:wide].T
    u, v = scores[:n], scores[n:]
    within = (_scatter(u) + _scatter(v)) / (n + m - 2)
    apart = u.mean(axis=0) - v.mean(axis=0)
    t2 = n * m / (n + m) * float(apart @ np.linalg.solve(within, apart))
    f = left / (wide * (n + m - 2)) * t2
    rho = distance(mean_shape(x), mean_shape(y))
    return GroupTest("Hotelling's T2, as F", f, (wide, left), float(stats.f.sf(f, wide, left)), rho, (n, m))


def _scatter(x: FloatArray) -> FloatArray:
    d = x - x.mean(axis=0)
    out: FloatArray = d.T @ d
    return out


def _goodall_f(x: FloatArray, y: FloatArray) -> float:
    n, m = len(x), len(y)
    u, v = superimpose(x, full=True), superimpose(y, full=True)
    apart = distance(u.mean, v.mean, "full")
    within = float((u.distances**2).sum() + (v.distances**2).sum())
    return (n + m - 2) / (1 / n + 1 / m) * apart**2 / within


def goodall(a: npt.ArrayLike, b: npt.ArrayLike) -> GroupTest:
    """Goodall's F of two samples (n, p, k): variation between their means over that within, all landmarks alike.

    It takes for granted that all landmarks vary equally and in all directions (Goodall 1991, J. R. Stat. Soc. B
    53:285), which they rarely do: look at the permutation test as well.
    """
    x, y = _both(a, b)
    f = _goodall_f(x, y)
    wide = shape_dimensions(*x.shape[1:])
    free = (float(wide), float(wide * (len(x) + len(y) - 2)))
    return GroupTest(
        "Goodall's F", f, free, float(stats.f.sf(f, *free)), distance(mean_shape(x), mean_shape(y)), (len(x), len(y))
    )


def permuted(a: npt.ArrayLike, b: npt.ArrayLike, *, draws: int = 999, seed: int = 1) -> GroupTest:
    """Permutation test of the distance between mean shapes: how often is a random split as far apart?

    All specimens (n, p, k) are superimposed together once and dealt out anew ``draws`` times; the observed split counts
    as one of them, so p is never below 1 / (draws + 1). Good 2000, Permutation Tests.
    """
    x, y = _both(a, b)
    n = len(x)
    if draws < 99:
        raise OssicleError(f"{draws} permutations are too few to say anything", where="draws", mend="give 99 or more")
    laid = superimpose(np.concatenate([x, y]))
    flat = tangent(laid.coordinates, laid.mean)
    rng = np.random.default_rng(seed)

    def apart(order: npt.NDArray[np.intp]) -> float:
        return float(np.linalg.norm(flat[order[:n]].mean(axis=0) - flat[order[n:]].mean(axis=0)))

    seen = apart(np.arange(len(flat)))
    as_far = sum(apart(rng.permutation(len(flat))) >= seen * (1 - 1e-12) for _ in range(draws))
    return GroupTest(
        "permutation of the distance of means",
        seen,
        None,
        (as_far + 1) / (draws + 1),
        distance(mean_shape(x), mean_shape(y)),
        (n, len(y)),
        f"{draws} permutations, seed {seed}",
    )
