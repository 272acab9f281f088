"""How far two observers agree in names and judgements: Cohen's kappa.

For measures see `ossicle.anatomy.repeats`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Sequence

from ossicle.errors import OssicleError

__all__ = ["cohens_kappa"]


def cohens_kappa(first: Sequence[Hashable], second: Sequence[Hashable]) -> float:
    """Return Cohen's kappa of two observers' classes of the same things, in the same order.

    1 is full agreement, 0 what chance would give. Where both put everything into one and the same class, chance
    explains all; the value is then not defined, and NaN is returned.

    Source: Cohen 1960, Educ. Psychol. Meas. 20: 37-46.

    Raises
    ------
    OssicleError
        The two are not of one length, or empty.
    """
    n = len(first)
    if n == 0 or len(second) != n:
        raise OssicleError("two observers must have judged the same things, at least one", mend="compare only those")
    observed = sum(a == b for a, b in zip(first, second, strict=True)) / n
    ours, theirs = Counter(first), Counter(second)
    chance = sum(ours[c] * theirs[c] for c in ours) / n**2
    return math.nan if chance == 1 else (observed - chance) / (1 - chance)
