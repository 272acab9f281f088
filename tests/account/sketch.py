"""A hand-drawn reading for tests: ellipsoids for teeth in two slabs of bone. No scan and no animal; only a
fixture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ossicle.account.records import MadeBy, ScanFacts, Source
from ossicle.reading.records import (
    Emergence,
    Generation,
    Jaw,
    Part,
    Pose,
    Reading,
    Row,
    RowStrip,
    ScanStatistics,
    Side,
    ToothClass,
    ToothRecord,
)

SPACING = 0.25
SHAPE = (136, 92, 76)  # z, y, x
CENTRE = (9.5, 11.5, 30.0)  # scan mm (x, y, z) of the skull's origin
SCAN_TO_SKULL = np.array([[-1.0, 0, 0, CENTRE[0]], [0, -1.0, 0, CENTRE[1]], [0, 0, 1.0, -CENTRE[2]], [0, 0, 0, 1.0]])
MARGIN = {"upper": 1.0, "lower": -6.0}  # skull y, mm
CROWN = {"upper": -1.0, "lower": 1.0}  # which way crowns point
CLASSES: dict[str, ToothClass] = {"I": "incisor", "C": "canine", "P": "premolar", "M": "molar"}
SIZES = {"I": (1.4, 1.2, 2.0), "C": (1.9, 1.6, 3.2), "P": (2.6, 1.7, 2.2), "M": (3.6, 3.0, 2.6)}

JUVENILE = (
    "I1 dI2>I2 dI3>I3 dC>C P1:unreplaced dP2>P2 dP3>P3 dP4>P4 M1:erupting M2:crypt",
    "I1 dI2>I2 dI3>I3 dC>C P1:unreplaced dP2>P2 dP3>P3 dP4>P4 M1 M2:crypt M3:crypt",
)
ADULT = ("I1 I2 I3 C P1 P2 P3 P4 M1 M2", "I1 I2 I3 C P1 P2 P3 P4 M1 M2 M3")


@dataclass(frozen=True)
class _Drawn:
    name: str
    jaw: Jaw
    side: Side
    arc: float
    state: Emergence
    generation: Generation
    beneath: str | None


def sketch_reading(
    upper: str = JUVENILE[0],
    lower: str = JUVENILE[1],
    *,
    sides: Sequence[Side] = ("left", "right"),
    pictures: bool = True,
) -> Reading:
    """Return a reading with these rows; ``dP3>P3`` draws P3 in a crypt beneath dP3, ``M1:erupting`` sets a
    state."""
    drawn = [t for jaw, text in (("upper", upper), ("lower", lower)) for s in sides for t in _row(jaw, s, text)]
    labels = np.zeros(SHAPE, np.int32)
    grey = np.zeros(SHAPE, np.float32)
    skull = _skull_grid()
    for jaw in ("upper", "lower"):
        slab = (CROWN[jaw] * (skull[1] - MARGIN[jaw]) < 0) & (abs(skull[1] - MARGIN[jaw]) < 4)
        grey[slab & (abs(skull[0]) < 8)] = 60
    teeth, parts = [], []
    numbers = {(t.jaw, t.side, t.name): i + 3 for i, t in enumerate(drawn)}
    for t in drawn:
        part = numbers[t.jaw, t.side, t.name]
        record, body = _tooth(t, part, numbers, drawn)
        labels[body] = part
        grey[body] = 200
        teeth.append(record)
        parts.append(Part(part, "tooth", record.tooth_class, t.side, record.volume_mm3, record.centroid_mm_xyz, 0.9))
    grey += np.random.default_rng(1).normal(0, 4, SHAPE).astype(np.float32)
    rows = tuple(
        Row(
            jaw,
            side,
            curve(jaw, side),
            tuple(x.part for x in teeth if x.jaw == jaw and x.side == side),
            _strip(jaw, side, labels, grey) if pictures else None,
        )
        for jaw in ("upper", "lower")
        for side in sides
        if any(x.jaw == jaw and x.side == side for x in teeth)
    )
    bone = Part(1, "bone", "cranium", "midline", 900.0, (9.0, 10.0, 15.0), 0.9)
    return Reading(
        labels=labels,
        statistics=ScanStatistics(0.0, None, 60.0, 180.0, 220.0, 4.0, 0.1, 15.0),
        pose=Pose(SCAN_TO_SKULL, 0.95, 0.97, 0.96, True),
        parts=(bone, *parts),
        teeth=tuple(teeth),
        rows=rows,
        formula=_formula(teeth),
        dentition="carnivore pattern" if teeth else None,
        dentition_confidence=0.9 if teeth else 0.0,
        dentition_candidates=(("carnivore pattern", 0.9), ("hedgehog pattern", 0.06)) if teeth else (),
        views=_views(grey) if pictures else {},
        view_spacing_mm=SPACING,
        stages={"pose": 0.5, "teeth": 1.25},
    )


def empty_reading() -> Reading:
    """Return the reading of a scan that holds no skull."""
    reading = sketch_reading("", "", pictures=False)
    return replace(
        reading,
        pose=replace(reading.pose, found=False, confidence=0.1),
        parts=(),
        warnings=("Nothing here is a skull.",),
    )


def scan_facts(**changes: object) -> ScanFacts:
    """Return the facts of the sketched scan."""
    facts = ScanFacts(SHAPE, (SPACING, SPACING, SPACING), (Source("slice_0000.tif", "0" * 64),))
    return replace(facts, **changes)  # type: ignore[arg-type]


MADE_BY = MadeBy("0.0.0", {"dentition": "auto"}, 1.5, 120.0, {"pose": 0.5})


def curve(jaw: Jaw, side: Side) -> np.ndarray:
    """Return the drawn row as (n, 3) skull mm, from the midline backwards."""
    t = np.linspace(0, 1, 200)
    sign = 1.0 if side == "left" else -1.0
    return np.stack([sign * (0.6 + 6 * np.sqrt(t) * (1 - 0.15 * t)), np.full_like(t, MARGIN[jaw]), 2 - 30 * t], axis=1)


def point_at(jaw: Jaw, side: Side, arc: float) -> np.ndarray:
    """Return the point of the drawn row so many mm from its start."""
    line = curve(jaw, side)
    run = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    return np.array([np.interp(arc, run, line[:, k]) for k in range(3)])


def _row(jaw: Jaw, side: Side, text: str) -> list[_Drawn]:
    drawn, arc = [], 0.6
    for word in text.split():
        name, _, state = word.partition(":")
        old, _, new = name.partition(">")
        size = SIZES[old.lstrip("d")[0]][0]
        arc += size / 2
        emergence: Emergence = {"crypt": "in_crypt", "erupting": "erupting"}.get(state, "erupted")  # type: ignore[assignment]
        generation: Generation = "deciduous" if old.startswith("d") else "permanent"
        if state == "unreplaced":
            generation = "unreplaced"
        drawn.append(_Drawn(old, jaw, side, arc, emergence, generation, None))
        if new:
            drawn.append(_Drawn(new, jaw, side, arc, "in_crypt", "permanent", old))
        arc += size / 2 + 0.3
    return drawn


def _tooth(
    t: _Drawn, part: int, numbers: dict[tuple[str, str, str], int], drawn: Sequence[_Drawn]
) -> tuple[ToothRecord, np.ndarray]:
    letter = t.name.lstrip("d")[0]
    length, width, height = SIZES[letter]
    fraction = {"in_crypt": 0.0, "erupting": 0.45, "erupted": 0.95}[t.state]
    depth = -1.4 * height if t.beneath else (fraction - 0.5) * height
    middle = point_at(t.jaw, t.side, t.arc)
    middle[1] += CROWN[t.jaw] * depth
    radii = np.array([max(width, length) / 2, height * 0.7, length / 2])
    body = _ellipsoid(middle, radii)
    replaced = next((x for x in drawn if x.beneath == t.name and (x.jaw, x.side) == (t.jaw, t.side)), None)
    scan = np.linalg.inv(SCAN_TO_SKULL) @ [*middle, 1.0]
    digits = t.name.lstrip("d")[1:]
    return (
        ToothRecord(
            part=part,
            name=t.name,
            jaw=t.jaw,
            side=t.side,
            tooth_class=CLASSES[letter],
            position=int(digits or 1),
            generation=t.generation,
            emergence=t.state,
            emergence_fraction=fraction,
            completeness="forming" if t.state == "in_crypt" else "complete",
            replaces=numbers[t.jaw, t.side, t.beneath] if t.beneath else None,
            replaced_by=numbers[t.jaw, t.side, replaced.name] if replaced else None,
            centroid_mm_xyz=(float(scan[0]), float(scan[1]), float(scan[2])),
            length_mm=length,
            width_mm=width,
            crown_height_mm=height,
            volume_mm3=float(body.sum() * SPACING**3),
            enamel_volume_mm3=0.5,
            confidence=0.92,
            locus_confidence=0.95,
            detection_confidence=0.97,
        ),
        body,
    )


def _ellipsoid(middle: np.ndarray, radii: np.ndarray) -> np.ndarray:
    """Return a mask (z, y, x); only a box round the middle (skull mm) is looked at."""
    scan = (np.linalg.inv(SCAN_TO_SKULL) @ [*middle, 1.0])[:3]
    low = np.maximum(((scan - radii) / SPACING).astype(int) - 1, 0)
    high = ((scan + radii) / SPACING).astype(int) + 3
    body = np.zeros(SHAPE, bool)
    box = tuple(slice(a, b) for a, b in zip(low[::-1], high[::-1], strict=True))
    axes = [np.arange(n)[cut] * SPACING for n, cut in zip(SHAPE, box, strict=True)]
    z, y, x = np.meshgrid(*axes, indexing="ij")
    offsets = (x - scan[0], y - scan[1], z - scan[2])
    body[box] = sum((d / r) ** 2 for d, r in zip(offsets, radii, strict=True)) < 1
    return body


def _skull_grid() -> np.ndarray:
    z, y, x = np.meshgrid(*(np.arange(n) * SPACING for n in SHAPE), indexing="ij")
    return np.stack([CENTRE[0] - x, CENTRE[1] - y, z - CENTRE[2]])


def _strip(jaw: Jaw, side: Side, labels: np.ndarray, grey: np.ndarray) -> RowStrip:
    arcs, heights, across = (
        np.arange(0, 28, SPACING),
        np.arange(6, -6, -SPACING),
        np.arange(-1.5, 1.6, SPACING),
    )
    middles = np.stack([point_at(jaw, side, a) for a in arcs])
    points = np.zeros((len(across), len(heights), len(arcs), 3)) + middles
    points[..., 0] += across[:, None, None]
    points[..., 1] += heights[None, :, None]
    index = np.rint((np.array(CENTRE) + points * [-1, -1, 1]) / SPACING).astype(int)
    index = np.clip(index, 0, np.array(SHAPE)[::-1] - 1)
    greys, marks = (v[index[..., 2], index[..., 1], index[..., 0]] for v in (grey, labels))
    middle = len(across) // 2
    return RowStrip(greys.max(axis=0), greys[middle], marks[middle].astype(np.int32), SPACING)


def _views(grey: np.ndarray) -> dict[str, np.ndarray]:
    return {
        "lateral left": grey.max(axis=2).T,
        "dorsal": grey.max(axis=1),
        "ventral": grey.max(axis=1)[:, ::-1],
    }


def _formula(teeth: Sequence[ToothRecord]) -> dict[str, dict[str, int]]:
    counts = {f"{j}_{s}": dict.fromkeys("ICPM", 0) for j in ("upper", "lower") for s in ("left", "right")}
    for t in teeth:
        if t.emergence != "in_crypt":
            counts[f"{t.jaw}_{t.side}"][t.name.lstrip("d")[0]] += 1
    return counts
