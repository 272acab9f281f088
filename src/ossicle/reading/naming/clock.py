"""The development clock: at a dental age, which tooth is where.

Each tooth has an age at which its first cap shows, at which it begins to emerge and at which it is in
place; all three with a spread, as mammals differ. The chance of each state at an age follows from normal
distributions over these ages. A deciduous tooth is there until its successor comes through.

Order of emergence after published series: deciduous teeth front to back around birth; first molar behind
them before any replacement; then incisors, second molar, premolars and canine, third molar last in
placentals; in metatherians one set of front teeth, dP3, then molars one by one, P3 replacing dP3 before or
with the last molar (van Nievelt & Smith 2005, J. Mammal. 86:333 and Paleobiology 31:324; Luckett 1993;
placental order: common practice, no single source).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from ..records import Generation
from .candidates import Kind
from .knowledge import STATES, TIMES

__all__ = ["deciduous_around", "deciduous_stays", "development_likelihood", "state_chances"]

FloatArray = npt.NDArray[np.float64]

_CAP_BEFORE = {"deciduous": 0.30, "permanent": 0.38, "unreplaced": 0.36, "molar": 0.36}
_CROWN_DONE = 0.45
_TO_PLACE = 0.06
_TO_ROOTED = 0.28
UNTIMELY = 0.001
"""Chance of a state that the age all but rules out: retarded teeth are rare."""
_SPREAD = {"deciduous": 0.06, "permanent": 0.1, "unreplaced": 0.14, "molar": 0.11}


def _emerges(kind: Kind, generation: Generation) -> float:
    """Return the dental age at which a tooth begins to emerge."""
    rank = kind.rank_front
    if kind.tooth_class == "molar":
        if kind.single_set:
            return (0.2, 0.4, 0.6, 0.82, 1.0)[min(rank, 4)]
        last = (0.26, 0.52, 0.8, 0.95, 1.05)[min(rank, 4)]
        return min(last, 0.62) if kind.count <= 2 and rank == 1 else last
    if generation == "deciduous":
        if kind.tooth_class == "premolar":
            return 0.07 + 0.02 * kind.rank_front if not kind.single_set else 0.08
        return 0.0 + 0.02 * rank if kind.tooth_class == "incisor" else 0.03
    if generation == "unreplaced":
        if kind.single_set:
            return {"incisor": 0.05 + 0.02 * rank, "canine": 0.08, "premolar": 0.12 + 0.04 * rank}[kind.tooth_class]
        return {"incisor": 0.02, "canine": 0.25, "premolar": 0.22}[kind.tooth_class]
    if kind.single_set and kind.tooth_class == "premolar":
        return 0.72
    return {"incisor": 0.42 + 0.06 * rank, "canine": 0.62, "premolar": 0.62}[kind.tooth_class]


def state_chances(kind: Kind, generation: Generation) -> FloatArray:
    """Return (ages, states): the chance of each of ``STATES`` at each of ``TIMES``, shedding left aside."""
    sort = "molar" if kind.tooth_class == "molar" else generation
    emerges, before, spread = _emerges(kind, generation), _CAP_BEFORE[sort], _SPREAD[sort]
    late = TIMES[:, 1] if sort == "permanent" else 0.0
    times = TIMES[:, 0] - late
    passed = [
        ndtr((times - emerges - offset) / spread)
        for offset in (-before, -_CROWN_DONE * before, 0.0, _TO_PLACE, _TO_ROOTED)
    ]
    edges = [np.ones(len(TIMES)), *passed, np.zeros(len(TIMES))]
    chances = np.stack([edges[k] - edges[k + 1] for k in range(len(STATES))], axis=1)
    chances = np.maximum(chances, 0) + UNTIMELY
    return np.asarray(chances / chances.sum(axis=1, keepdims=True))


def deciduous_around(kind: Kind) -> FloatArray:
    """Return (times,): the chance that the premolar in front of the first molar is still deciduous."""
    changes = 0.74 if kind.single_set else 0.66
    return np.asarray(1 - ndtr((TIMES[:, 0] - TIMES[:, 1] - changes) / 0.1))


def deciduous_stays() -> FloatArray:
    """Return (states,): the chance that the deciduous tooth is still there, by the state of its successor.

    A finished crown beneath has begun to resorb its roots, and what is loose falls out of a dry skull.
    """
    return np.array([0.985, 0.95, 0.85, 0.3, 0.03, 0.02])


def development_likelihood(
    emergence: FloatArray, root: FloatArray, mineralised: FloatArray, *, resorbs: bool
) -> FloatArray:
    """Return (n, states): the likelihood of emergence fraction, root fraction and mineralisation under each
    state.

    In a crypt the measured share beyond the margin falls off within a few hundredths; an erupting tooth may
    show any share; one in place shows most of its crown. Floors allow for a wrong alveolar margin and for
    roots that cannot be followed; where the roots of a tooth may be resorbed (deciduous), a short root of
    an emerged tooth says little.
    """
    f = np.clip(emergence, 0.0, 1.0)
    crypt = 0.82 * np.exp(-f / 0.035) / 0.035 + 0.18
    erupting = 1.25 / (1 + np.exp(-(f - 0.05) / 0.015)) / (1 + np.exp((f - 0.82) / 0.03)) + 0.1
    erupted = 4.5 / (1 + np.exp(-(f - 0.80) / 0.025)) + 0.25 * f + 0.12
    r = np.clip(root, 0.0, 1.0)
    none = np.exp(-r / 0.08) / 0.08
    some = np.exp(-r / 0.3) / 0.3
    half = np.exp(-0.5 * ((r - 0.45) / 0.25) ** 2) / 0.6
    most = np.exp(-0.5 * ((r - 0.75) / 0.2) ** 2) / 0.45
    whole = np.exp(-(1 - r) / 0.1) / 0.1
    loose = 0.7
    emerged = 0.92 if resorbs else 0.85
    m = np.clip(mineralised, 0.0, 1.2)
    faint = np.exp(-0.5 * ((m - 0.5) / 0.3) ** 2) / 0.7 + 0.3
    dense = np.exp(-0.5 * ((m - 0.95) / 0.25) ** 2) / 0.6 + 0.3
    return np.stack(
        [
            np.zeros_like(f),
            crypt * ((1 - loose) * none + loose) * faint,
            crypt * ((1 - loose) * some + loose) * dense,
            erupting * ((1 - emerged) * half + emerged) * dense,
            erupted * ((1 - emerged) * most + emerged) * dense,
            erupted * ((1 - emerged) * whole + emerged) * dense,
        ],
        axis=1,
    )
