"""What the naming expects of teeth: numbers, each with its reason, in one place.

None of these is fitted to a generator of specimens. They are wide on purpose: mammals differ, and a
likelihood that is too sure of a form would name an unknown animal by the wrong rule. Where no source is
named the value is common knowledge of mammalian teeth, put as a broad distribution.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from ossicle.anatomy import Clade

from ..records import Jaw, ToothClass

__all__ = [
    "AGES",
    "AGE_PRIOR",
    "EXTRA_LAST_RATE",
    "EXTRA_RATE",
    "FALSE_RATE",
    "GAP_MISSING",
    "GENERIC_WEIGHT",
    "JOINED_LENGTH",
    "METATHERIAN_INCISORS",
    "MISS",
    "OCCLUSION",
    "OPEN_CLADES",
    "OPEN_PREMOLARS",
    "OPEN_SHARE",
    "OPEN_STEPS",
    "OPEN_TOGETHER",
    "PAIR_STATED",
    "STATES",
    "TIMES",
    "TIME_PRIOR",
]

STATES: Final = ("absent", "cap", "crown", "erupting", "erupted", "rooted")
"""Absent; crown still forming; crown formed but in its crypt; erupting; in place with roots still open; in
place with full roots."""

AGES: Final = np.array(
    [
        -0.2,
        -0.13,
        -0.07,
        -0.01,
        0.05,
        0.11,
        0.17,
        0.24,
        0.31,
        0.38,
        0.45,
        0.53,
        0.61,
        0.69,
        0.77,
        0.86,
        0.97,
        1.1,
        1.4,
    ]
)
"""Dental ages tried: 0 a placental's birth, 1 all teeth through."""

AGE_PRIOR: Final = np.array([0.5, 0.6, 0.8, 0.8, 0.8, 0.8, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1.2, 2.0, 4.0]) / 22.5
"""Collections hold more adults than young; otherwise flat."""

_SHIFTS = {0.0: 0.5, -0.13: 0.22, 0.13: 0.28}
_CELLS = [
    (float(age), shift, float(weight) * (share if 0.05 < age < 0.95 else 1.0))
    for age, weight in zip(AGES, AGE_PRIOR, strict=True)
    for shift, share in _SHIFTS.items()
    if shift == 0.0 or 0.05 < age < 0.95
]
TIMES: Final = np.array([cell[:2] for cell in _CELLS])
"""(times, 2): dental age, and by how much the replacement runs late against the molars: mammals differ in
that as a whole, not tooth by tooth."""

TIME_PRIOR: Final = np.array([cell[2] for cell in _CELLS])

MISS: Final[Mapping[str, tuple[float, float]]] = {
    # state: (chance that one side's tooth goes unseen by itself, chance that both go unseen together)
    "cap": (0.18, 0.05),
    "crown": (0.08, 0.02),
    "erupting": (0.04, 0.01),
    "erupted": (0.04, 0.01),
    "rooted": (0.04, 0.01),
}
"""Unseen: lost after death (single-rooted front teeth fall out of dry skulls, on both sides alike), or
missed by the isolation; the first caps are small and faint."""

FALSE_RATE: Final = 1.0
"""Weight of 'no tooth' against 'tooth' beside the detection odds themselves: 1, as the odds are the
isolation's own."""

EXTRA_LAST_RATE: Final = 0.02
"""The same for the last tooth of a row: extra molars are the commonest extra teeth."""

EXTRA_RATE: Final = 0.003
"""Chance that a tooth belongs to no locus: 8.1 % of 393 *Didelphis albiventris* carried an anomaly (
methods, section 4), over 50 teeth each and not all of them extra teeth."""

OCCLUSION: Final = (0.4, 0.35)
"""By how much of a tooth's length the lower first molar lies in front of the upper one, mean and spread:
its front part bites between P4 and M1 (tribosphenic occlusion, common knowledge)."""

PAIR_STATED: Final = 0.5
"""A succession is stated from this chance on: a wrong pair misleads more than a missing one."""

JOINED_LENGTH: Final = 1.6
"""From this many times the length of its mirror tooth on, an object may be two teeth in one."""

GAP_MISSING: Final = (0.06, 1.0)
"""Weight of a missing tooth where the row has closed up (0) and where room for a whole tooth is free (1
tooth length)."""

OPEN_SHARE: Final = 0.35
"""Prior that a specimen's formula is on no list."""

GENERIC_WEIGHT: Final = 10.0
"""Weight of a dentition called generic against that of a genus: the full row of a clade is its commonest
and its ancestral state."""

METATHERIAN_INCISORS: Final[Mapping[tuple[int, int], float]] = {
    (5, 4): 1.0,
    (4, 3): 1.0,
    (5, 3): 0.5,
    (4, 4): 0.2,
    (3, 1): 0.6,
    (3, 2): 0.2,
    (2, 1): 0.05,
    (1, 1): 0.1,
    (3, 3): 0.02,
    (4, 2): 0.02,
    (5, 2): 0.01,
}
"""Upper and lower incisors of metatherians go together: one more above than below in most, one pair below
in diprotodonts (Didelphis 5/4, Dasyurus 4/3, Perameles 5/3, Macropus 3/1, Vombatus 1/1: the dentition
data)."""

OPEN_STEPS: Final[Mapping[Clade, Mapping[ToothClass, Mapping[Jaw, Mapping[int, float]]]]] = {
    # Full placental row 3.1.4.3 (upper and lower), full metatherian row 5.1.3.4 / 4.1.3.4; each loss about
    # halves the weight.
    "placental": {
        "incisor": {
            "upper": {3: 1.0, 2: 0.5, 1: 0.3, 0: 0.12},
            "lower": {3: 1.0, 2: 0.4, 1: 0.3},
        },
        "canine": {"upper": {1: 1.0, 0: 0.25}, "lower": {1: 1.0, 0: 0.25}},
        "molar": {"upper": {3: 1.0, 2: 0.4, 1: 0.15, 4: 0.02}, "lower": {3: 1.0, 2: 0.4, 1: 0.15, 4: 0.02}},
    },
    "metatherian": {
        "incisor": {
            "upper": {5: 1.0, 4: 1.0, 3: 1.0, 2: 1.0, 1: 1.0},
            "lower": {4: 1.0, 3: 1.0, 2: 1.0, 1: 1.0},
        },
        "canine": {"upper": {1: 1.0, 0: 0.1}, "lower": {1: 1.0, 0: 0.3}},
        "molar": {"upper": {4: 1.0, 3: 0.06, 5: 0.02}, "lower": {4: 1.0, 3: 0.06, 5: 0.02}},
    },
}
OPEN_PREMOLARS: Final[Mapping[Clade, Mapping[tuple[int, ...], float]]] = {
    "placental": {
        (1, 2, 3, 4): 1.0,
        (2, 3, 4): 0.8,
        (3, 4): 0.4,
        (4,): 0.15,
        (): 0.05,
        (1, 3, 4): 0.04,
        (2, 3): 0.03,
        (1, 2, 3): 0.02,
    },
    "metatherian": {(1, 2, 3): 1.0, (3,): 0.2, (2, 3): 0.15, (1, 3): 0.12, (1, 2): 0.08},
}
"""Premolar rows: placentals lose them from the front and keep P4 last (human P3 P4; cat P2 P3 P4); the last
of three metatherian premolars is P3 (the Didelphis, Homo and Felis rows of the dentition data)."""

OPEN_TOGETHER: Final[Mapping[tuple[int, int], float]] = {
    (2, 2): 0.25,
    (1, 2): 0.5,
    (1, 1): 0.5,
    (3, 1): 1.5,
    (4, 1): 1.5,
}
"""Numbers of premolars and molars that go together more or less often in placentals than each by itself would make
them: rows that have lost molars have mostly kept premolars (counted over the upper and lower rows of the dentition
data: with two molars four premolars 17 times, three 13, two 1; with one molar four 12, three 6, two 3)."""

OPEN_CLADES: Final[tuple[tuple[Clade, float], ...]] = (("placental", 0.7), ("metatherian", 0.3))
"""Prior of the clades among animals that are on no list."""
