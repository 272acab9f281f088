"""A small collection for tests of the desk: a hand-drawn specimen with its scan, read by the one who drew it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import tifffile
from sketch import ADULT, CROWN, JUVENILE, MADE_BY, MARGIN, SPACING, sketch_reading

import ossicle.collection.jobs as jobs
from ossicle.account.run import scan_facts
from ossicle.collection import Collection, KeptReading
from ossicle.collection.anchors import inner_points
from ossicle.reading.records import Reading

BONE = 1
SUBADULT = (
    "I1 I2 I3 C P1:unreplaced P2 P3 dP4>P4 M1 M2:erupting",
    "I1 I2 I3 C P1:unreplaced P2 P3 dP4>P4 M1 M2 M3:crypt",
)


def drawn(rows: tuple[str, str] = JUVENILE) -> tuple[Reading, np.ndarray]:
    """Return the reading with its slabs of bone as a part, and greys: air 0, bone 300, dentine 500, enamel 900."""
    reading = sketch_reading(*rows)
    labels = reading.labels.copy()
    z, y, _ = np.meshgrid(*(np.arange(n) * SPACING for n in labels.shape), indexing="ij")
    matrix = np.asarray(reading.pose.scan_to_skull)
    height = matrix[1, 1] * y + matrix[1, 3]
    for jaw in ("upper", "lower"):
        slab = (CROWN[jaw] * (height - MARGIN[jaw]) < 0) & (abs(height - MARGIN[jaw]) < 4) & (labels == 0)
        labels[slab] = BONE
    grey = np.zeros(labels.shape, np.float32)
    grey[labels == BONE] = 300
    teeth = np.isin(labels, [t.part for t in reading.teeth])
    grey[teeth] = 500
    enamel = np.zeros(labels.shape, bool)
    for tooth in reading.teeth:  # the half of each tooth that looks out of its jaw
        own = labels == tooth.part
        middle = float(np.median(height[own]))
        enamel |= own & (CROWN[tooth.jaw] * (height - middle) > 0)
    grey[enamel] = 900
    statistics = replace(reading.statistics, air=0.0, bone=300.0, dentine=500.0, enamel=900.0)
    volumes = {p: float((labels == p).sum() * SPACING**3) for p in (BONE,)}
    parts = tuple(replace(p, volume_mm3=volumes.get(p.part, p.volume_mm3)) for p in reading.parts)
    del z
    return replace(reading, labels=labels, statistics=statistics, parts=parts, enamel=None), grey


@dataclass(frozen=True)
class Drawing:
    """A specimen to draw: its catalogue number, its rows, its stage, and whether it has been read."""

    number: str
    rows: tuple[str, str] = JUVENILE
    stage: str = "juvenile"
    read: bool = True
    folder: str = "scan"


TWO = (Drawing("OTC 1", folder="one"), Drawing("OTC 2", read=False, folder="two"))
SIX = (
    Drawing("OTC 11", folder="eleven"),
    Drawing("OTC 12", ADULT, "adult", folder="twelve"),
    Drawing("OTC 13", SUBADULT, "subadult", folder="thirteen"),
    *(Drawing(f"OTC {n}", folder=str(n)) for n in (14, 15, 16)),
)
"""Three stages to look at, and three juveniles for tests that decide."""


def make(folder: Path, drawings: Sequence[Drawing] = TWO) -> Path:
    """Make the collection ``cabinet`` in a new folder; return its place."""
    with Collection.create(folder / "cabinet") as held:
        for seed, drawing in enumerate(drawings):
            _take_in(held, folder / "scans" / drawing.folder, drawing, seed)
    return folder / "cabinet"


def _take_in(held: Collection, place: Path, drawing: Drawing, seed: int) -> None:
    reading, grey = drawn(drawing.rows)
    place.mkdir(parents=True)
    noisy = grey + 1000 + np.random.default_rng(seed).normal(0, 3, grey.shape)
    for i, page in enumerate(noisy.astype(np.uint16)):
        tifffile.imwrite(place / f"slice_{i:04d}.tif", page)
    (place / "scan.json").write_text(json.dumps({"spacing_mm_zyx": [SPACING] * 3, "mirrored": False}))
    held.take_in(
        place,
        {
            "catalogNumber": drawing.number,
            "scientificName": "Fictus sketchi (invented)",
            "lifeStage": drawing.stage,
        },
        who="A. Keeper",
    )
    if not drawing.read:
        return
    reading = replace(
        reading,
        statistics=replace(reading.statistics, air=1000.0, bone=1300.0, dentine=1500.0, enamel=1900.0),
    )

    def read(scan, key, decisions, **_):  # type: ignore[no-untyped-def]
        facts = scan_facts(scan)
        inner = inner_points(reading.labels, facts.spacing_mm_zyx)
        return KeptReading(reading, facts, MADE_BY, key, inner, (), scan.warnings)

    before = jobs.read_specimen
    jobs.read_specimen = read
    try:
        job = held.queue(drawing.number, who="A. Keeper")
        assert held.work_on(job.id).state == "done"
    finally:
        jobs.read_specimen = before
