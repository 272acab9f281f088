"""Candidate dentitions: the listed ones, and an open list for animals that are on no list.

The open list holds every row with up to the full placental (3.1.4.3) or metatherian (5.1.3.4) number of
loci, and a few beyond it at the back; each locus lost costs prior probability, premolars being lost from
the front and the back numbers kept. Any upper row of a clade may meet any lower row of it, a difference in
counts costing probability. So the formula of an unknown animal is read off its own teeth; a listed
dentition is a better prior and no cage.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ossicle.anatomy import Clade, Dentition, TemplateTooth
from ossicle.errors import OssicleError

from ..records import Jaw, ToothClass
from .knowledge import (
    GENERIC_WEIGHT,
    METATHERIAN_INCISORS,
    OPEN_CLADES,
    OPEN_PREMOLARS,
    OPEN_SHARE,
    OPEN_STEPS,
    OPEN_TOGETHER,
)

__all__ = ["CandidateSet", "Kind", "RowTemplate", "candidate_set"]


@dataclass(frozen=True)
class Kind:
    """What is expected at a locus: its class, how it stands within its class, and its generations."""

    jaw: Jaw
    tooth_class: ToothClass
    position: int
    rank_front: int
    rank_back: int
    count: int
    replaced: bool
    transient: bool
    single_set: bool
    """Whether the row replaces no incisor and no canine (metatherians, some placentals)."""
    continuous: bool
    tooth: TemplateTooth

    @property
    def name_key(self) -> tuple[ToothClass, int]:
        """Class and position."""
        return (self.tooth_class, self.position)


RowTemplate = tuple[Kind, ...]


@dataclass(frozen=True)
class CandidateSet:
    """Rows per jaw and how likely each pair of rows is before any tooth is seen.

    ``listed`` holds (name, upper row index, lower row index, prior). ``open_weights`` is (upper rows, lower
    rows), the prior of the unlisted pairs. All priors together sum to one.
    """

    rows: Mapping[Jaw, tuple[RowTemplate, ...]]
    listed: tuple[tuple[str, int, int, float], ...]
    open_weights: npt.NDArray[np.float64]
    clades: Mapping[Jaw, tuple[frozenset[Clade], ...]]


_ORDER: tuple[ToothClass, ...] = ("incisor", "canine", "premolar", "molar")


def _row(jaw: Jaw, teeth: tuple[TemplateTooth, ...]) -> RowTemplate:
    single_set = not any(t.replaced or t.transient for t in teeth if t.tooth_class in ("incisor", "canine"))
    kinds = []
    for tooth_class in _ORDER:
        block = sorted((t for t in teeth if t.tooth_class == tooth_class), key=lambda t: t.position)
        kinds += [
            Kind(
                jaw=jaw,
                tooth_class=tooth_class,
                position=tooth.position,
                rank_front=rank,
                rank_back=len(block) - 1 - rank,
                count=len(block),
                replaced=tooth.replaced,
                transient=tooth.transient,
                single_set=single_set,
                continuous=tooth.continuous,
                tooth=TemplateTooth(
                    tooth.tooth_class, tooth.position, tooth.replaced, jaw, tooth.continuous, tooth.transient
                ),
            )
            for rank, tooth in enumerate(block)
        ]
    return tuple(kinds)


def _open_rows(jaw: Jaw, clade: Clade) -> list[tuple[tuple[TemplateTooth, ...], float]]:
    """Return the open list's rows of a clade with their log prior weights."""
    steps = OPEN_STEPS[clade]
    rows = []
    for incisors, w_i in steps["incisor"][jaw].items():
        for canines, w_c in steps["canine"][jaw].items():
            for standing, w_p in OPEN_PREMOLARS[clade].items():
                for molars, w_m in steps["molar"][jaw].items():
                    if incisors + canines + len(standing) + molars < 3:
                        continue
                    w_m = w_m * (OPEN_TOGETHER.get((len(standing), molars), 1.0) if clade == "placental" else 1.0)
                    for replace_first, w_r in ((False, 0.85), (True, 0.15)):
                        if replace_first and (clade == "metatherian" or 1 not in standing):
                            continue
                        teeth = [TemplateTooth("incisor", k, clade == "placental", jaw) for k in range(1, incisors + 1)]
                        teeth += [TemplateTooth("canine", 1, clade == "placental", jaw)] * canines
                        for k in standing:
                            last = k == max(standing)
                            replaced = last if clade == "metatherian" else (k > 1 or replace_first)
                            teeth.append(TemplateTooth("premolar", k, replaced, jaw))
                        teeth += [TemplateTooth("molar", k, False, jaw) for k in range(1, molars + 1)]
                        rows.append((tuple(teeth), math.log(w_i * w_c * w_p * w_m * w_r)))
    return rows


def _count(row: RowTemplate, tooth_class: ToothClass) -> int:
    return sum(kind.tooth_class == tooth_class for kind in row)


def candidate_set(dentitions: Mapping[str, Dentition], name: str) -> CandidateSet:
    """Return the candidates for ``name``: one dentition alone, or for ``auto`` all of them and the open
    list.

    Raises
    ------
    OssicleError
        If no dentition has this name.
    """
    if name != "auto":
        chosen = {key: value for key, value in dentitions.items() if key.casefold() == name.strip().casefold()}
        if not chosen:
            raise OssicleError(f"no dentition is called '{name}'", mend="use a genus of the dentition list, or auto")
        return _candidate_set(tuple(chosen.items()), False)
    return _candidate_set(tuple(dentitions.items()), True)


@lru_cache(maxsize=8)
def _candidate_set(dentitions: tuple[tuple[str, Dentition], ...], open_list: bool) -> CandidateSet:
    index: dict[Jaw, dict[RowTemplate, int]] = {"upper": {}, "lower": {}}
    clades: dict[Jaw, dict[int, set[Clade]]] = {"upper": {}, "lower": {}}

    def add(row: RowTemplate, jaw: Jaw, clade: Clade) -> int:
        at = index[jaw].setdefault(row, len(index[jaw]))
        clades[jaw].setdefault(at, set()).add(clade)
        return at

    listed = []
    weight_of = {
        name: 0.0 if open_list and d.clade == "monotreme" else GENERIC_WEIGHT if name.startswith("generic") else 1.0
        for name, d in dentitions
    }
    share = (1.0 - OPEN_SHARE if open_list else 1.0) / max(sum(weight_of.values()), 1.0)
    for name, dentition in dentitions:
        at = [
            add(
                _row(jaw, dentition.loci(jaw) + tuple(t for t in dentition.transient if t.jaw == jaw)),
                jaw,
                dentition.clade,
            )
            for jaw in ("upper", "lower")
        ]
        listed.append((name, at[0], at[1], share * weight_of[name]))

    pairs: list[tuple[int, int, float]] = []
    if open_list:
        for clade, clade_share in OPEN_CLADES:
            sides: dict[Jaw, dict[int, float]] = {"upper": {}, "lower": {}}
            for jaw in ("upper", "lower"):
                for teeth, weight in _open_rows(jaw, clade):
                    sides[jaw][add(_row(jaw, teeth), jaw, clade)] = weight
            upper = list(sides["upper"].items())
            lower = list(sides["lower"].items())
            rows_u = list(index["upper"])
            rows_l = list(index["lower"])
            counts_u = np.array([[_count(rows_u[u], c) for c in _ORDER] for u, _ in upper], dtype=float)
            counts_l = np.array([[_count(rows_l[v], c) for c in _ORDER] for v, _ in lower], dtype=float)
            apart = np.abs(counts_u[:, None, :] - counts_l[None, :, :]) @ np.array([0.5, 1.2, 1.2, 1.4])
            log_prior = np.array([w for _, w in upper])[:, None] + np.array([w for _, w in lower])[None, :]
            log_prior -= apart
            if clade == "metatherian":
                log_prior += np.log(
                    [[METATHERIAN_INCISORS.get((int(a[0]), int(b[0])), 0.002) for b in counts_l] for a in counts_u]
                )
                # Diprotodonts, with one or two pairs of lower incisors, have no lower canine.
                gnawing = (counts_l[:, 0] <= 2) & (counts_l[:, 1] > 0)
                log_prior += np.where(gnawing, np.log(0.05), 0.0)[None, :]
            prior = np.exp(log_prior - log_prior.max())
            prior *= OPEN_SHARE * clade_share / prior.sum()
            pairs += [(u, v, float(prior[a, b])) for a, (u, _) in enumerate(upper) for b, (v, _) in enumerate(lower)]

    weights = np.zeros((len(index["upper"]), len(index["lower"])))
    for u, v, w in pairs:
        weights[u, v] += w
    return CandidateSet(
        rows={jaw: tuple(index[jaw]) for jaw in ("upper", "lower")},
        listed=tuple(listed),
        open_weights=weights,
        clades={jaw: tuple(frozenset(clades[jaw][k]) for k in range(len(index[jaw]))) for jaw in ("upper", "lower")},
    )
