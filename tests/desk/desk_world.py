"""A small collection for tests of the desk: a hand-drawn specimen with its scan, read by the one who drew it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import tifffile
from sketch import CROWN, MADE_BY, MARGIN, SPACING, sketch_reading

import ossicle.collection.jobs as jobs
from ossicle.account.run import scan_facts
from ossicle.collection import Collection, KeptReading
from ossicle.collection.anchors import inner_points
from ossicle.reading.records import Reading

BONE = 1


def drawn() -> tuple[Reading, np.ndarray]:
    """Return the reading with its slabs of bone as a part, and greys: air 0, bone 300, dentine 500, enamel 900."""
    reading = sketch_reading()
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


def make(folder: Path) -> Path:
    """Make the collection ``cabinet`` in a new folder: OTC 1 read, OTC 2 not; return its place."""
    reading, grey = drawn()
    rng = np.random.default_rng(7)
    for name, seed in (("one", 0), ("two", 1)):
        place = folder / "scans" / name
        place.mkdir(parents=True)
        noisy = grey + 1000 + rng.normal(0, 3 + seed, grey.shape)
        for i, page in enumerate(noisy.astype(np.uint16)):
            tifffile.imwrite(place / f"slice_{i:04d}.tif", page)
        (place / "scan.json").write_text(json.dumps({"spacing_mm_zyx": [SPACING] * 3, "mirrored": False}))
    reading = replace(
        reading,
        statistics=replace(reading.statistics, air=1000.0, bone=1300.0, dentine=1500.0, enamel=1900.0),
    )
    with Collection.create(folder / "cabinet") as held:
        for number, name in (("OTC 1", "one"), ("OTC 2", "two")):
            held.take_in(
                folder / "scans" / name,
                {"catalogNumber": number, "scientificName": "Fictus sketchi (invented)", "lifeStage": "juvenile"},
                who="A. Keeper",
            )

        def read(scan, key, decisions, **_):  # type: ignore[no-untyped-def]
            facts = scan_facts(scan)
            inner = inner_points(reading.labels, facts.spacing_mm_zyx)
            return KeptReading(reading, facts, MADE_BY, key, inner, (), scan.warnings)

        before = jobs.read_specimen
        jobs.read_specimen = read
        try:
            job = held.queue("OTC 1", who="A. Keeper")
            assert held.work_on(job.id).state == "done"
        finally:
            jobs.read_specimen = before
    return folder / "cabinet"
