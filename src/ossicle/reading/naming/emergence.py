"""How far each named tooth has come: in its crypt, erupting, erupted.

The measured share of the crown beyond the alveolar margin decides, together with what the dentition's age makes
likely for the tooth of that name: a last molar that shows three quarters of its crown in an adult is in place (its
margin is high), the same in a juvenile is coming through; a permanent tooth under the deciduous one that it replaces is
seldom out. Bayes' rule over the states of the development clock.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..records import Emergence, Generation
from .candidates import Kind
from .clock import deciduous_stays, development_likelihood, state_chances
from .columns import Column
from .knowledge import STATES

__all__ = ["emergence_chances"]

FloatArray = npt.NDArray[np.float64]

MIRRORED = 0.3
"""Teeth of the two sides whose measured shares differ by less are taken together."""
CLOCK_WEIGHT = 0.3
"""Tempering of what the age makes likely: the age is read off these very teeth."""
EVER_GROWING = (3.0, 0.25)
"""A crown longer than this many times its width is one that goes on growing in its socket, and shows about this share
of itself when in use (incisors of rodents; common knowledge, no source for the share)."""
_GROUPS: tuple[tuple[Emergence, tuple[str, ...]], ...] = (
    ("in_crypt", ("absent", "cap", "crown")),
    ("erupting", ("erupting",)),
    ("erupted", ("erupted", "rooted")),
)


def emergence_chances(
    fraction: float,
    column: Column,
    kind: Kind | None,
    generation: Generation,
    times: FloatArray,
    full: float,
    *,
    deciduous_stands: bool = False,
) -> dict[Emergence, float]:
    """Return the chance of each degree of emergence of one tooth.

    Parameters
    ----------
    fraction
        Measured share of its crown beyond the alveolar margin, 0 to 1.
    column
        The tooth and its mirror.
    kind
        The locus it is named for; None for a tooth too many, whose age says nothing.
    generation
        Deciduous, permanent or unreplaced.
    times
        Probability of each dental age (`knowledge.TIMES`).
    full
        The share that a tooth in place shows in this specimen.
    deciduous_stands
        Whether the deciduous tooth that it replaces is in place.
    """
    slender, shows = EVER_GROWING
    if column.crown_height_mm > slender * np.sqrt(column.length_mm * column.width_mm):
        full = shows
    both = column.emergence_fraction
    seen = np.array([both if abs(both - fraction) < MIRRORED / 2 else fraction]) / full
    likelihood = development_likelihood(
        seen, np.array([column.root_fraction]), np.array([column.mineralised]), resorbs=generation == "deciduous"
    )[0]
    chance = np.full(len(STATES), 1.0) if kind is None else times @ state_chances(kind, generation)
    if deciduous_stands:
        chance = chance * deciduous_stays()
    weight = likelihood * chance**CLOCK_WEIGHT
    total = max(float(weight.sum()), 1e-300)
    return {name: float(sum(weight[STATES.index(s)] for s in states)) / total for name, states in _GROUPS}
