"""How well measurements repeat, for persons who measure twice or several who measure the same."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from ossicle.errors import OssicleError

__all__ = ["ICC_FORMS", "Repeatability", "intraclass", "repeatability", "technical_error"]

FloatArray = npt.NDArray[np.float64]
Form = Literal["ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)"]
ICC_FORMS: tuple[Form, ...] = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")


@dataclass(frozen=True)
class Repeatability:
    """Technical error of measurement in the unit measured, the same in per cent of the mean, and reliability R."""

    tem: float
    relative_percent: float
    reliability: float


def technical_error(first: npt.ArrayLike, second: npt.ArrayLike) -> float:
    """Return the technical error of measurement of two rounds or observers, in the unit of the measures.

    sqrt(sum d^2 / 2N) (Ulijaszek & Kerr 1999, Br. J. Nutr. 82:165; Perini et al. 2005, Rev. Bras. Med. Esporte 11:81).

    Raises
    ------
    OssicleError
        The two are not of one length, or empty.
    """
    a, b = np.asarray(first, float).ravel(), np.asarray(second, float).ravel()
    if len(a) == 0 or len(b) != len(a):
        raise OssicleError("two observers must have measured the same things, at least one", mend="compare only those")
    return float(np.sqrt(np.sum((a - b) ** 2) / (2 * len(a))))


def repeatability(first: npt.ArrayLike, second: npt.ArrayLike) -> Repeatability:
    """Compare two rounds of measurements of the same specimens.

    TEM = sqrt(sum d^2 / 2N), %TEM = 100 TEM / mean, R = 1 - TEM^2 / SD^2 with SD^2 the variance (N - 1 in the
    denominator) of all values (Ulijaszek & Kerr 1999, Br. J. Nutr. 82:165; Perini et al. 2005).

    Raises
    ------
    OssicleError
        If the rounds differ in length, hold fewer than two specimens, or a value is not finite.
    """
    a, b = np.asarray(first, float).ravel(), np.asarray(second, float).ravel()
    if len(a) != len(b) or len(a) < 2:
        raise OssicleError(
            f"two rounds of {len(a)} and {len(b)} measurements cannot be compared",
            mend="give each specimen one value in either round, and two specimens or more",
        )
    if not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise OssicleError("a measurement is missing or not a number", mend="leave that specimen out of both rounds")
    tem = technical_error(a, b)
    both = np.concatenate([a, b])
    spread = float(np.var(both, ddof=1))
    return Repeatability(
        tem,
        100 * tem / float(both.mean()) if both.mean() else float("nan"),
        1 - tem**2 / spread if spread > 0 else float("nan"),
    )


def intraclass(table: npt.ArrayLike) -> dict[Form, float]:
    """Return the six intraclass correlations of a table (specimens, measurers) (Shrout & Fleiss 1979, Psychol. Bull.
    86:420).

    Raises
    ------
    OssicleError
        If the table has fewer than two rows or columns, or holes.
    """
    x = np.asarray(table, float)
    if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise OssicleError(
            "intraclass correlation needs a full table of two specimens and two measurers or more",
            mend="give one value for each specimen and measurer",
        )
    n, k = x.shape
    grand = x.mean()
    between = k * ((x.mean(1) - grand) ** 2).sum() / (n - 1)
    raters = n * ((x.mean(0) - grand) ** 2).sum() / (k - 1)
    within = ((x - x.mean(1, keepdims=True)) ** 2).sum() / (n * (k - 1))
    rest = ((x - x.mean(1, keepdims=True) - x.mean(0) + grand) ** 2).sum() / ((n - 1) * (k - 1))

    def share(top: float, bottom: float) -> float:
        return float(top / bottom) if bottom else float("nan")

    return {
        "ICC(1,1)": share(between - within, between + (k - 1) * within),
        "ICC(2,1)": share(between - rest, between + (k - 1) * rest + k * (raters - rest) / n),
        "ICC(3,1)": share(between - rest, between + (k - 1) * rest),
        "ICC(1,k)": share(between - within, between),
        "ICC(2,k)": share(between - rest, between + (raters - rest) / n),
        "ICC(3,k)": share(between - rest, between),
    }
