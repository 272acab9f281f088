"""Left and right of one structure: the symmetric and the asymmetric component, and the error of landmarking.

Object symmetry: each configuration and its relabelled mirror image are superimposed together; their mean is symmetric,
half of their difference is the asymmetry (Mardia, Bookstein & Moreton 2000, Biometrika 87:285; Klingenberg, Barluenga &
Meyer 2002, Evolution 56:1909). Two rounds of landmarks part the asymmetry from the error of placing them (Palmer &
Strobeck 1986, Annu. Rev. Ecol. Syst. 17:391; Klingenberg & McIntyre 1998, Evolution 52:1363).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from ossicle.errors import OssicleError

from .procrustes import checked_sample, superimpose

__all__ = ["Effect", "Symmetry", "mirror_order", "symmetry"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Effect:
    """One line of the Procrustes analysis of variance; sums of squares are in squared units of centroid size."""

    name: str
    squares: float
    freedom: int
    mean_square: float
    f: float | None
    p: float | None


@dataclass(frozen=True)
class Symmetry:
    """Shape parted into what both sides share and what they do not.

    ``symmetric`` and ``asymmetric`` (n, p, k): coordinates of each individual's symmetric shape, and its signed
    difference from it; ``directional`` (p, k) is the mean asymmetry; ``effects`` the analysis of variance.
    The first axis runs across the midplane, towards the side of the first paired landmark.
    """

    symmetric: FloatArray
    asymmetric: FloatArray
    mean: FloatArray
    directional: FloatArray
    effects: tuple[Effect, ...]
    rounds: int


def mirror_order(names: Sequence[str]) -> list[int]:
    """Return, for each landmark name, the index of its mirror image: left for right, itself where it has no side.

    Raises
    ------
    OssicleError
        A side is named of which the other is not there, or no landmark is paired.
    """
    places = {" ".join(name.lower().split()): i for i, name in enumerate(names)}
    order = []
    for name in names:
        words = name.lower().split()
        other = " ".join({"left": "right", "right": "left"}.get(w, w) for w in words)
        if other not in places:
            raise OssicleError(
                f"the landmark {name!r} has no counterpart on the other side",
                where="landmarks",
                mend=f"add {other!r}, or leave it out",
            )
        order.append(places[other])
    if order == list(range(len(names))):
        raise OssicleError("no landmark names a side", where="landmarks", mend="say left or right in their names")
    return order


def symmetry(rounds: npt.ArrayLike, order: Sequence[int]) -> Symmetry:
    """Part shape variation into symmetric and asymmetric, and test it.

    Parameters
    ----------
    rounds
        Landmarks (r, n, p, k): r rounds (times that the same landmarks were placed) of n individuals. With one round
        the error of landmarking is not known, and the asymmetry of individuals is not tested.
    order
        As `mirror_order` returns it.

    Returns
    -------
    Symmetry
        Effects: individual (symmetric variation), side (directional asymmetry), individual x side (fluctuating
        asymmetry), error. Degrees of freedom follow Klingenberg et al. 2002 (table 2, from memory); F tests take
        landmarks to vary alike, as Goodall's does.
    """
    x = np.asarray(rounds, float)
    if x.ndim != 4:
        raise OssicleError(f"rounds of the form {x.shape} are not (rounds, individuals, landmarks, 2 or 3)")
    r, n, p, k = x.shape
    flat = checked_sample(x.reshape(r * n, p, k))
    if len(order) != p or sorted(order) != list(range(p)):
        raise OssicleError("the order of mirror images does not fit the landmarks", mend="use mirror_order")
    if n < 2:
        raise OssicleError("one individual cannot be compared with others", mend="give two or more")
    flip = np.ones(k)
    flip[0] = -1.0
    laid = superimpose(np.concatenate([flat, (flat * flip)[:, list(order)]]))
    # axes: side (0 as it is, 1 mirrored and relabelled), round, individual, landmark, dimension
    both = laid.coordinates.reshape(2, r, n, p, k)
    both = both @ _upright(both.mean(axis=(0, 1, 2)), order).T
    mean = both.mean(axis=(0, 1, 2))
    cells = both.mean(axis=1)
    individual = cells.mean(axis=0)
    side = cells.mean(axis=1)
    ss_individual = 2 * r * float(((individual - mean) ** 2).sum())
    ss_side = r * n * float(((side - mean) ** 2).sum())
    inter = cells - individual[None] - side[:, None] + mean
    ss_inter = r * float((inter**2).sum())
    ss_error = float(((both - cells[:, None]) ** 2).sum())
    alone, pairs = sum(i == j for i, j in enumerate(order)), sum(i != j for i, j in enumerate(order)) // 2
    turn = k * (k - 1) // 2
    # coordinates that a symmetric shape has, and those of asymmetry, less position, size and turn
    if k == 3:
        wide_s, wide_a = 3 * pairs + 2 * alone - 4, 3 * pairs + alone - 3
    else:
        wide_s, wide_a = 2 * pairs + alone - 2, 2 * pairs + alone - 2
    assert wide_s + wide_a == p * k - k - 1 - turn
    effects = _tested(
        [
            ("individual", ss_individual, (n - 1) * wide_s),
            ("side (directional asymmetry)", ss_side, wide_a),
            ("individual x side (fluctuating asymmetry)", ss_inter, (n - 1) * wide_a),
            ("error of landmarking", ss_error, (r - 1) * n * (wide_s + wide_a)),
        ]
    )
    asymmetric = (cells[0] - cells[1]) / 2
    return Symmetry(individual, asymmetric, mean, asymmetric.mean(axis=0), effects, r)


def _upright(mean: FloatArray, order: Sequence[int]) -> FloatArray:
    """Axes (k, k) of which the first is across the midplane of a symmetric shape, towards the first side named."""
    apart = mean - mean[list(order)]
    _, _, ways = np.linalg.svd(apart, full_matrices=False)
    first = next(i for i, j in enumerate(order) if i != j)
    across = ways[0] if apart[first] @ ways[0] > 0 else -ways[0]
    within = mean - np.outer(mean @ across, across)
    _, _, rest = np.linalg.svd(within, full_matrices=False)
    axes = np.vstack([across, rest[: len(across) - 1]])
    if np.linalg.det(axes) < 0:
        axes[-1] *= -1
    return axes


def _tested(rows: Sequence[tuple[str, float, int]]) -> tuple[Effect, ...]:
    """Individual and side are tested over their interaction, the interaction over the error."""
    squares = {name: (ss, df, ss / df if df > 0 else float("nan")) for name, ss, df in rows}
    names = [name for name, _, _ in rows]
    over = {names[0]: names[2], names[1]: names[2], names[2]: names[3]}
    out = []
    for name, (ss, df, ms) in squares.items():
        f = p = None
        below = squares.get(over.get(name, ""))
        if below is not None and below[1] > 0 and below[2] > 0 and df > 0:
            f = ms / below[2]
            p = float(stats.f.sf(f, df, below[1]))
        out.append(Effect(name, ss, df, ms, f, p))
    return tuple(out)
