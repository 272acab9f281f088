"""How shapes vary: principal components with shapes along them, and the part of shape that goes with size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ossicle.errors import OssicleError

from .procrustes import Superimposed, superimpose, tangent

__all__ = ["Allometry", "Components", "allometry", "components"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Components:
    """Principal components of shape.

    ``scores`` (n, c), ``axes`` (c, p * k) of unit length, ``variances`` (c,), ``shares`` (c,) of the total variance.
    Each axis points so that its largest loading is positive.
    """

    laid: Superimposed
    scores: FloatArray
    axes: FloatArray
    variances: FloatArray
    shares: FloatArray

    def shape_at(self, axis: int, score: float) -> FloatArray:
        """Return the shape (p, k) at a score along one axis (from 0), all other scores 0."""
        m = self.laid.mean
        out: FloatArray = m + (score * self.axes[axis]).reshape(m.shape)
        return out


def components(sample: npt.ArrayLike, *, scale: bool = True) -> Components:
    """Return the principal components of the tangent coordinates of a sample (n, p, k).

    With ``scale`` false size stays in (form space without log size). Components of no variance are left out. By
    singular values of the centred coordinates; variances are over n - 1.
    """
    laid = superimpose(sample, scale=scale)
    n = len(laid.coordinates)
    flat = tangent(laid.coordinates, laid.mean) if scale else laid.coordinates.reshape(n, -1)
    flat = flat - flat.mean(axis=0)
    _, values, axes = np.linalg.svd(flat, full_matrices=False)
    variances = values**2 / (n - 1)
    total = float(variances.sum())
    if total <= 0:
        raise OssicleError("all configurations have the same shape", mend="give specimens that differ")
    kept = variances > 1e-12 * total
    axes = axes[kept]
    axes = axes * np.sign(axes[np.arange(len(axes)), np.argmax(np.abs(axes), axis=1)])[:, None]
    return Components(laid, flat @ axes.T, axes, variances[kept], variances[kept] / total)


@dataclass(frozen=True)
class Allometry:
    """Shape regressed on the logarithm of centroid size.

    ``slope`` (p, k) is the change of shape per unit of natural log size, ``explained`` the share (0 to 1) of shape
    variance that goes with size, ``p`` from permutation, ``scores`` (n,) the regression score of each specimen (Drake &
    Klingenberg 2008, Proc. R. Soc. B 275:71).
    """

    laid: Superimposed
    slope: FloatArray
    log_sizes: FloatArray
    explained: float
    p: float
    scores: FloatArray
    draws: int
    seed: int

    def shape_at(self, size: float) -> FloatArray:
        """Return the shape (p, k) expected at a centroid size, in the unit of the landmarks."""
        out: FloatArray = self.laid.coordinates.mean(axis=0) + (np.log(size) - self.log_sizes.mean()) * self.slope
        return out


def allometry(sample: npt.ArrayLike, *, draws: int = 999, seed: int = 1) -> Allometry:
    """Regress shape on log centroid size (multivariate regression: Monteiro 1999, Syst. Biol. 48:192).

    ``sample`` is (n, p, k); sizes are dealt out anew ``draws`` times for p, the observed order counted among them.

    Raises
    ------
    OssicleError
        There are fewer than four specimens, or all have one size.
    """
    laid = superimpose(sample)
    n = len(laid.coordinates)
    x = np.log(laid.sizes)
    centred = x - x.mean()
    if n < 4 or float((centred**2).sum()) < 1e-20:
        raise OssicleError(
            "shape cannot be regressed on size with fewer than four specimens or without a difference of size",
            mend="give more specimens",
        )
    flat = tangent(laid.coordinates, laid.mean)
    flat = flat - flat.mean(axis=0)
    total = float((flat**2).sum())
    if total <= 1e-20:
        raise OssicleError("all configurations have the same shape", mend="give specimens that differ")

    def explained(order: FloatArray) -> float:
        slope = order @ flat / float(order @ order)
        return float(slope @ slope) * float(order @ order) / total

    slope = centred @ flat / float(centred @ centred)
    seen = explained(centred)
    rng = np.random.default_rng(seed)
    as_much = sum(explained(rng.permutation(centred)) >= seen * (1 - 1e-12) for _ in range(draws))
    length = float(np.linalg.norm(slope))
    return Allometry(
        laid,
        slope.reshape(laid.mean.shape),
        x,
        seen,
        (as_much + 1) / (draws + 1),
        flat @ slope / length if length > 0 else np.zeros(n),
        draws,
        seed,
    )
