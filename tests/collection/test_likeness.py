"""Decisions replayed on a reading of a slightly different scan: at least 95 % stay attached, the rest are listed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import binary_dilation, binary_erosion, shift
from sketch import SPACING, scan_facts, sketch_reading

from ossicle.account import MadeBy
from ossicle.collection import Agree, Decision, Rename, SetGeneration, SetSide, replay
from ossicle.collection.anchors import inner_points
from ossicle.collection.deciding import anchored
from ossicle.collection.readings import KeptReading
from ossicle.reading.records import Reading

AT = "2031-01-01T00:00:00.000Z"
SCAN = "5" * 64
LOST = 2


def kept_of(reading: Reading) -> KeptReading:
    made_by = MadeBy("0", {}, 1.0, 1.0)
    return KeptReading(reading, scan_facts(), made_by, SCAN, inner_points(reading.labels, (SPACING,) * 3))


def otherwise(reading: Reading, seed: int) -> tuple[Reading, set[int]]:
    """Return the reading as another scan of the specimen might give it, and the new numbers of the teeth lost.

    Every tooth is moved by up to a voxel along each axis, grown or eaten away by a voxel or left as it is; two of them
    are lost; all numbers are new.
    """
    rng = np.random.default_rng(seed)
    labels = np.zeros_like(reading.labels)
    teeth, parts = [], {p.part: p for p in reading.parts}
    numbers = rng.permutation(np.arange(100, 100 + len(reading.teeth)))
    lost = set(rng.choice(len(reading.teeth), LOST, replace=False).tolist())
    new_parts = []
    for k, tooth in enumerate(reading.teeth):
        if k in lost:
            continue
        body = shift(reading.labels == tooth.part, rng.integers(-1, 2, 3), order=0, output=bool)
        body = (binary_dilation(body), binary_erosion(body), body)[rng.integers(3)]
        number = int(numbers[k])
        labels[body & (labels == 0)] = number
        own = np.argwhere(labels == number)
        z, y, x = own.mean(axis=0) * SPACING
        volume = len(own) * SPACING**3
        centre = (float(x), float(y), float(z))
        teeth.append(
            replace(tooth, part=number, replaces=None, replaced_by=None, centroid_mm_xyz=centre, volume_mm3=volume)
        )
        new_parts.append(replace(parts[tooth.part], part=number, centroid_mm_xyz=centre, volume_mm3=volume))
    gone = {reading.teeth[k].part for k in lost}
    return replace(reading, labels=labels, teeth=tuple(teeth), parts=tuple(new_parts), rows=()), gone


def test_decisions_stay_attached_on_a_slightly_different_scan() -> None:
    """Every tooth is renamed, given a side, a generation or agreed to; three other readings in turn."""
    first = sketch_reading(pictures=False)
    kept = kept_of(first)
    decisions: list[Decision] = []
    of_part: dict[int, int] = {}
    for n, tooth in enumerate(first.teeth):
        told = replay(kept.structures(), kept.facts, kept.made_by, decisions)
        ids = {f.evidence.parts[0]: f.id for f in told.account.findings if f.region == "teeth"}
        asked = (
            Rename(tooth.part, tooth.name),
            SetSide(tooth.part, tooth.side),
            SetGeneration(tooth.part, tooth.generation),
            Agree(ids[tooth.part]),
        )[n % 4]
        made = anchored(asked, "A. Reader", AT, "", told, kept.structures(), kept.facts)
        of_part[len(decisions) + 1] = tooth.part
        decisions.append(replace(made, number=len(decisions) + 1))
    shares = []
    for seed in (1, 2, 3):
        other, gone = otherwise(first, seed)
        again = kept_of(other)
        told = replay(again.structures(), again.facts, again.made_by, decisions)
        assert {f.number for f in told.fates} == set(of_part)
        fits = {f.number for f in told.fates if f.holds == "in force"}
        shares.append(len(fits) / len(decisions))
        assert all(f.why for f in told.unfit)
        # What was lost is listed and not put onto a neighbour.
        assert not {n for n in fits if of_part[n] in gone}
        # What is attached is attached to the tooth that it was about.
        old = {t.part: t.centroid_mm_xyz for t in first.teeth}
        new = {t.part: t.centroid_mm_xyz for t in other.teeth}
        for fate in told.fates:
            if fate.holds == "in force" and fate.part is not None:
                off = np.linalg.norm(np.subtract(old[of_part[fate.number]], new[fate.part]))
                assert off < 3 * SPACING
    assert min(shares) >= 0.95, shares
