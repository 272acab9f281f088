"""A toy in place of scan and reading, for tests of decisions alone: blocks for teeth, read as hints say.

`read_world` does what `ossicle.reading.read` promises of hints, exactly and at once, and numbers its parts at random.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ossicle.account import Account, MadeBy, ScanFacts, Source
from ossicle.anatomy import Locus, ToothName
from ossicle.collection import Decision, Replayed, replay
from ossicle.collection.anchors import inner_points
from ossicle.collection.history import BEARING, digest_of, hints_of, in_force
from ossicle.collection.readings import KeptReading
from ossicle.reading import hints as h
from ossicle.reading.records import Part, Pose, Reading, ScanStatistics, ToothRecord

SPACING = (0.5, 0.5, 0.5)
SHAPE = (30, 12, 22)  # z, y, x
FACTS = ScanFacts(SHAPE, SPACING, (Source("toy.tif", "0" * 64),), handedness="stated")
SCAN = "5" * 64
POSE = np.array([[-1.0, 0, 0, 5.25], [0, -1.0, 0, 3.0], [0, 0, -1.0, 14.0], [0, 0, 0, 1.0]])


@dataclass(frozen=True)
class Block:
    """A piece of a tooth: index box, the name that the reading gives it, whether the reading misses it."""

    box: tuple[slice, slice, slice]
    name: str
    jaw: str
    side: str
    hidden: bool = False


def world() -> list[Block]:
    """Two rows of five blocks on each side, one block of each row hidden from the reading, some touching."""
    blocks = []
    names = ("C", "dP2", "dP3", "dP4", "M1")
    for jaw, y in (("upper", 7), ("lower", 1)):
        for side, x in (("left", 2), ("right", 15)):
            for k, name in enumerate(names):
                z = 1 + 5 * k + (0 if k % 2 else 1)
                box = (slice(z, z + 4), slice(y, y + 4), slice(x, x + 4))
                written = name if jaw == "upper" else name[:-2] + name[-2:].lower() if name != "C" else "c"
                blocks.append(Block(box, written, jaw, side, hidden=k == 4 and side == "left"))
    return blocks


WORLD = world()


def middle_mm(block: Block) -> tuple[float, float, float]:
    """Return a point inside a block, mm (x, y, z)."""
    z, y, x = (0.5 * (s.start + s.stop - 1) for s in block.box)
    return (x * 0.5 + 0.1, y * 0.5, z * 0.5)


def read_world(decisions: Sequence[Decision], seed: int, blocks: Sequence[Block] = WORLD) -> KeptReading:
    """Read the toy as the hints of these decisions say; ``seed`` numbers the parts."""
    hints = hints_of(decisions, SCAN)
    ids = np.zeros(SHAPE, np.int32)
    seen: dict[int, Block] = {}
    for n, block in enumerate(blocks, start=1):
        if not block.hidden:
            ids[block.box] = n
            seen[n] = block
    top = 1000
    for missed in hints.missed:
        for n, block in enumerate(blocks, start=1):
            if block.hidden and _holds(block, missed.point_mm):
                ids[block.box] = n
                seen[n] = block
    for join in hints.joins:
        members = [m for m in (_at(ids, p) for p in join.points_mm) if m]
        for other in members[1:]:
            ids[ids == other] = members[0]
    for cut in hints.cuts:
        own = _at(ids, cut.point_mm)
        seeds = [s for s in cut.seeds_mm if own and _at(ids, s) == own]
        if len(seeds) < 2:
            continue
        where = np.argwhere(ids == own)
        off = np.stack([np.linalg.norm(where * 0.5 - np.array(s[::-1]), axis=1) for s in seeds])
        nearest = np.argmin(off, axis=0)
        for k in range(1, len(seeds)):
            top += 1
            ids[tuple(where[nearest == k].T)] = top
            seen[top] = seen[own]
    for gone in hints.discards:
        own = _at(ids, gone.point_mm)
        if own:
            ids[ids == own] = 0
    present = [int(n) for n in np.unique(ids) if n]
    numbers = np.random.default_rng(seed).permutation(np.arange(3, 3 + 2 * len(present)))[: len(present)]
    table = np.zeros(top + 2, np.int32)
    table[present] = numbers
    labels = table[ids]
    teeth = [_tooth(labels, int(table[n]), seen[n], hints) for n in present]
    order = np.random.default_rng(seed + 1).permutation(len(teeth))
    teeth = [teeth[i] for i in order]
    parts = tuple(
        Part(t.part, "tooth", "calcareous tooth", t.side, t.volume_mm3, t.centroid_mm_xyz, 0.9) for t in teeth
    )
    reading = Reading(
        labels=labels,
        statistics=ScanStatistics(0.0, None, 60.0, 180.0, 220.0, 4.0, 0.1, 15.0),
        pose=Pose(POSE, 0.9, 0.9, 0.9, True),
        parts=parts,
        teeth=tuple(teeth),
        rows=(),
        formula={},
        dentition=None,
        dentition_confidence=0.0,
        dentition_candidates=(),
    )
    heeded = tuple(d.number for d in in_force(decisions) if d.kind in BEARING)
    made_by = MadeBy("0", {"heeded": list(heeded)}, 1.0, 1.0)
    return KeptReading(reading, FACTS, made_by, SCAN, inner_points(labels, SPACING), heeded)


def _holds(block: Block, point: tuple[float, float, float]) -> bool:
    index = [round(v / 0.5) for v in point[::-1]]
    return all(s.start <= i < s.stop for s, i in zip(block.box, index, strict=True))


def _at(ids: np.ndarray, point: tuple[float, float, float]) -> int:
    index = tuple(int(np.clip(round(v / 0.5), 0, n - 1)) for v, n in zip(point[::-1], ids.shape, strict=True))
    return int(ids[index])


def _tooth(labels: np.ndarray, part: int, block: Block, hints: h.Hints) -> ToothRecord:
    name = ToothName.parse(block.name)
    locus = Locus(block.jaw, block.side, name.tooth_class, name.position)  # type: ignore[arg-type]
    generation = name.generation
    for said in hints.names:
        if _at(labels, said.point_mm) != part:
            continue
        if said.name is not None:
            given = ToothName.parse(said.name)
            locus = replace(locus, tooth_class=given.tooth_class, position=given.position)
            generation = given.generation
        if said.generation is not None and not (said.generation == "deciduous" and locus.tooth_class == "molar"):
            generation = said.generation
    for told in hints.sides:
        if _at(labels, told.point_mm) == part:
            locus = replace(locus, side=told.side)
    if generation == "deciduous" and locus.tooth_class == "molar":
        generation = "permanent"
    where = np.argwhere(labels == part)
    z, y, x = where.mean(axis=0) * 0.5
    return ToothRecord(
        part=part, name=str(ToothName(locus, generation)), jaw=block.jaw, side=locus.side,  # type: ignore[arg-type]
        tooth_class=locus.tooth_class, position=locus.position, generation=generation, emergence="erupted",
        emergence_fraction=1.0, completeness="complete", replaces=None, replaced_by=None,
        centroid_mm_xyz=(round(float(x), 6), round(float(y), 6), round(float(z), 6)), length_mm=2.0, width_mm=2.0,
        crown_height_mm=2.0, volume_mm3=float(len(where) * 0.125), enamel_volume_mm3=0.5, confidence=0.9,
        locus_confidence=0.9, detection_confidence=0.95,
    )  # fmt: skip


def replayed(kept: KeptReading, decisions: Sequence[Decision]) -> Replayed:
    """Return the account of the toy with decisions."""
    return replay(kept.structures(), kept.facts, kept.made_by, decisions, heeded=kept.heeded)


def kept_as(decision: Decision, decisions: Sequence[Decision]) -> Decision:
    """Return a decision with its number and digest, as the catalogue gives them."""
    numbered = replace(decision, number=len(decisions) + 1)
    return replace(numbered, digest=digest_of(numbered, decisions[-1].digest if decisions else "0" * 64))


def canonical(account: Account) -> Any:
    """Return what an account says, without part numbers and without what the reading cost."""
    centre = {t.part: t.centroid_mm_xyz for t in account.teeth}
    teeth = sorted(
        (t.centroid_mm_xyz, t.name, t.jaw, t.side, t.generation, t.position, round(t.volume_mm3, 6),
         centre.get(t.replaces or 0), centre.get(t.replaced_by or 0))
        for t in account.teeth
    )  # fmt: skip
    findings = sorted(
        (f.id, f.statement, f.standing, str(f.value), sorted(centre.get(p, (0, 0, 0)) for p in f.evidence.parts))
        for f in account.findings
    )
    return teeth, findings, account.formula.text, account.warnings
