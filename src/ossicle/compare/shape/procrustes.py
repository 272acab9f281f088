"""Procrustes superimposition: one configuration on another, and many on their mean. A reflection is never used.

Configurations are (p, k): p landmarks in k = 2 or 3 dimensions, in one unit of length; samples are (n, p, k). Gower
1975, Psychometrika 40:33; Rohlf & Slice 1990, Syst. Zool. 39:40; Dryden & Mardia 1998, Statistical Shape Analysis,
chapters 3 to 5.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ossicle.errors import OssicleError

__all__ = [
    "Fit",
    "Superimposed",
    "centroid_size",
    "checked_sample",
    "distance",
    "fit",
    "shape_dimensions",
    "superimpose",
    "tangent",
]

FloatArray = npt.NDArray[np.float64]
DistanceKind = Literal["riemannian", "full", "partial"]
ROUNDS, SETTLED = 500, 1e-14


@dataclass(frozen=True)
class Fit:
    """One configuration laid on another: ``target ~ scale * source @ rotation.T + shift``.

    ``residuals`` (p,) are the distances that stay, in the unit of the target; ``rms`` is the root of their mean square.
    ``mirror_rms`` is what would stay if the source might be reflected: much smaller, it says that one of the two is
    mirrored.
    """

    rotation: FloatArray
    scale: float
    shift: FloatArray
    residuals: FloatArray
    rms: float
    mirror_rms: float

    def apply(self, points: npt.ArrayLike) -> FloatArray:
        """Move points (..., k) of the source into the target."""
        out: FloatArray = self.scale * np.asarray(points, float) @ self.rotation.T + self.shift
        return out

    @property
    def matrix(self) -> FloatArray:
        """The same as a (k+1, k+1) matrix for column vectors."""
        k = len(self.shift)
        out = np.eye(k + 1)
        out[:k, :k] = self.scale * self.rotation
        out[:k, k] = self.shift
        return out

    @property
    def looks_mirrored(self) -> bool:
        """Whether a reflection would leave less than half of what stays apart."""
        return self.mirror_rms < 0.5 * self.rms and self.rms > 1e-9


@dataclass(frozen=True)
class Superimposed:
    """A sample on its mean.

    ``coordinates`` (n, p, k) are the Procrustes coordinates, ``mean`` (p, k) their mean (of unit centroid size where
    size was taken out), ``sizes`` (n,) the centroid sizes in the unit of the landmarks.
    """

    coordinates: FloatArray
    mean: FloatArray
    sizes: FloatArray
    scaled: bool
    rounds: int

    @property
    def distances(self) -> FloatArray:
        """Distance (n,) of each configuration from the mean: the root of the summed squared residuals."""
        out: FloatArray = np.sqrt(((self.coordinates - self.mean) ** 2).sum(axis=(1, 2)))
        return out


def checked_sample(sample: npt.ArrayLike, least: int = 2) -> FloatArray:
    """Return a sample (n, p, k) as floats.

    Raises
    ------
    OssicleError
        It has another form, too few configurations, a missing coordinate, or landmarks that all coincide.
    """
    x = np.asarray(sample, float)
    if x.ndim != 3 or x.shape[2] not in (2, 3) or x.shape[1] < 3:
        raise OssicleError(
            f"landmarks of the form {x.shape} are no sample of configurations",
            mend="give (specimens, landmarks, 2 or 3), with three landmarks or more",
        )
    if len(x) < least:
        raise OssicleError(f"{len(x)} configurations are too few", mend=f"give {least} or more")
    if not np.isfinite(x).all():
        i, j = np.argwhere(~np.isfinite(x))[0][:2]
        raise OssicleError(
            f"landmark {j + 1} of specimen {i + 1} is missing", mend="leave out that landmark or that specimen"
        )
    if (centroid_size(x) <= 0).any():
        raise OssicleError("all landmarks of a specimen lie in one point", mend="check its coordinates")
    return x


def centroid_size(points: npt.ArrayLike) -> FloatArray:
    """Return the centroid size: the root of the summed squared distances of the landmarks from their centroid.

    ``points`` are (..., p, k); the result has their leading axes and their unit. Bookstein 1991, Morphometric Tools.
    """
    x = np.asarray(points, float)
    out: FloatArray = np.sqrt(((x - x.mean(axis=-2, keepdims=True)) ** 2).sum(axis=(-2, -1)))
    return out


def shape_dimensions(landmarks: int, dimensions: int) -> int:
    """Return the dimensions of shape space: coordinates less position, size and turn."""
    k = dimensions
    return landmarks * k - k - 1 - k * (k - 1) // 2


def _turn(a: FloatArray, b: FloatArray) -> tuple[FloatArray, float, float]:
    """The rotation R (k, k) that brings centred ``a`` nearest to centred ``b`` (a @ R.T ~ b), the trace that it
    reaches, and that which a reflection would."""
    u, s, vt = np.linalg.svd(b.T @ a)
    sign = 1.0 if np.linalg.det(u @ vt) >= 0 else -1.0
    way = np.ones(len(s))
    way[-1] = sign
    return (u * way) @ vt, float((s * way).sum()), float((s[:-1]).sum() - sign * s[-1])


def fit(source: npt.ArrayLike, target: npt.ArrayLike, *, scale: bool = False) -> Fit:
    """Lay one configuration (p, k) on another by least squares, with or without a scale (ordinary Procrustes).

    Rotation by singular values with the determinant held at +1 (Kabsch 1976, Acta Cryst. A32:922; Umeyama 1991, IEEE
    Trans. Pattern Anal. Mach. Intell. 13:376).

    Raises
    ------
    OssicleError
        The two differ in form or hold fewer than three points.
    """
    a, b = np.asarray(source, float), np.asarray(target, float)
    if a.shape != b.shape or a.ndim != 2 or len(a) < 3 or a.shape[1] not in (2, 3):
        raise OssicleError(
            f"points of the form {a.shape} cannot be laid on points of the form {b.shape}",
            mend="give the same three landmarks or more of both",
        )
    both = checked_sample(np.stack([a, b]))
    ca, cb = both - both.mean(axis=1, keepdims=True)
    turn, trace, mirrored = _turn(ca, cb)
    size, other = float((ca**2).sum()), float((cb**2).sum())
    factor = trace / size if scale else 1.0
    shift = b.mean(axis=0) - factor * turn @ a.mean(axis=0)
    residuals = np.linalg.norm(factor * a @ turn.T + shift - b, axis=1)
    left = other - mirrored**2 / size if scale else size + other - 2 * mirrored
    return Fit(
        turn,
        factor,
        shift,
        residuals,
        float(np.sqrt((residuals**2).mean())),
        float(np.sqrt(max(left, 0.0) / len(a))),
    )


def distance(a: npt.ArrayLike, b: npt.ArrayLike, kind: DistanceKind = "riemannian") -> float:
    """Return the Procrustes distance of two shapes (p, k).

    ``riemannian`` is the angle rho between them in shape space (radians), ``full`` its sine, ``partial`` 2 sin(rho/2)
    (Dryden & Mardia 1998, chapter 4). Reflections count as different.
    """
    x = checked_sample(np.stack([np.asarray(a, float), np.asarray(b, float)]))
    x = x - x.mean(axis=1, keepdims=True)
    x /= np.sqrt((x**2).sum(axis=(1, 2), keepdims=True))
    turn, _, _ = _turn(x[0], x[1])
    # from the chord, which does not lose the small distances that the arc cosine loses
    chord = float(np.sqrt(((x[0] @ turn.T - x[1]) ** 2).sum()))
    rho = 2 * float(np.arcsin(min(chord / 2, 1.0)))
    return {"riemannian": rho, "full": float(np.sin(rho)), "partial": chord}[kind]


def superimpose(sample: npt.ArrayLike, *, scale: bool = True, full: bool = False) -> Superimposed:
    """Lay a sample (n, p, k) on its own mean (generalised Procrustes).

    Parameters
    ----------
    sample
        Landmarks in one order, in one unit.
    scale
        Bring all to unit centroid size; else size and shape are kept together.
    full
        Scale each again to fit the mean best (full Procrustes fit); else all keep unit size, as is common in biology.

    Raises
    ------
    OssicleError
        As `checked_sample`.
    """
    x = checked_sample(sample)
    sizes = centroid_size(x)
    x = x - x.mean(axis=1, keepdims=True)
    if scale:
        x = x / sizes[:, None, None]
    mean = x[0]
    before, rounds = np.inf, 0
    while rounds < ROUNDS:
        rounds += 1
        laid = np.empty_like(x)
        for i, one in enumerate(x):
            turn, trace, _ = _turn(one, mean)
            factor = trace / float((one**2).sum()) if scale and full else 1.0
            laid[i] = factor * one @ turn.T
        mean = laid.mean(axis=0)
        if scale:
            mean = mean / np.sqrt((mean**2).sum())
        left = float(((laid - mean) ** 2).sum())
        if before - left <= SETTLED * max(left, 1e-30):
            break
        before = left
    mean, laid = _stood(mean, laid)
    return Superimposed(laid, mean, sizes, scale, rounds)


def _stood(mean: FloatArray, laid: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Turn all so that the mean lies along its principal axes, whatever specimen came first."""
    _, _, axes = np.linalg.svd(mean, full_matrices=False)
    axes = np.array([a if a[np.argmax(np.abs(a))] > 0 else -a for a in axes])
    if np.linalg.det(axes) < 0:
        axes[-1] *= -1
    return mean @ axes.T, laid @ axes.T


def tangent(coordinates: npt.ArrayLike, mean: npt.ArrayLike) -> FloatArray:
    """Project Procrustes coordinates (n, p, k) of unit size onto the space tangent at the mean (p, k): (n, p * k).

    What of each lies along the mean is taken out (orthogonal projection: Rohlf 1999, J. Classif. 16:197).
    """
    x = np.asarray(coordinates, float)
    flat = x.reshape(len(x), -1)
    m = np.asarray(mean, float).ravel()
    m = m / np.linalg.norm(m)
    out: FloatArray = flat - np.outer(flat @ m, m)
    return out
