"""Accounts with known truth, made from the models of practice specimens (invented animals) without a scan.

Values are those of the models, with errors drawn from the standard error that the account states.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ossicle.account import Account, MadeBy, ScanFacts
from ossicle.account.records import FormulaFacts, PoseFacts, StageFacts
from ossicle.compare.specimens import Compared
from ossicle.practice.specimen import Anatomy, anatomy
from ossicle.practice.teeth import Tooth
from ossicle.reading.records import Part, ToothRecord

VOXEL = 0.1
IDENTITY = tuple(tuple(float(v) for v in row) for row in np.eye(4))
LENGTHS = {
    "palatilar length": 16.0,
    "condylobasal length": 34.0,
    "zygomatic breadth": 19.0,
    "mandible length left": 25.0,
}


def model(stage: str, seed: int = 1, later: float = 0.0, animal: str = "carnivore-like") -> Anatomy:
    """A practice specimen's model; ``later`` is added to its age (0 newborn, 1 adult)."""
    return anatomy(animal, stage, seed, ahead={"left": later, "right": later})


def record(t: Tooth, scale: float, noise: np.random.Generator | None, voxel: float) -> ToothRecord:
    """A tooth as a perfect reading would give it, with the errors of measurement that this layer takes for granted."""
    f = t.model.figures
    draw = (lambda sigma: float(noise.normal(0, sigma))) if noise is not None else (lambda sigma: 0.0)
    centre = t.to_skull[:3, :3] @ f.centroid + t.to_skull[:3, 3]
    volume = f.volume * scale**3
    fraction = float(np.clip(t.fraction + draw(0.03), 0.05, 0.9)) if t.emergence == "erupting" else t.fraction
    return ToothRecord(
        part=t.label,
        name=t.name,
        jaw=t.jaw,
        side=t.side,
        tooth_class=t.kind,
        position=t.position,
        generation=t.generation,
        emergence=t.emergence,
        emergence_fraction=fraction,
        completeness="broken" if not t.complete else "complete" if t.state.root > 0.95 else "forming",
        replaces=t.replaces.label if t.replaces else None,
        replaced_by=t.replaced_by.label if t.replaced_by else None,
        centroid_mm_xyz=tuple(float(v) for v in centre * scale),
        length_mm=f.length * scale + draw(voxel),
        width_mm=f.width * scale + draw(voxel),
        crown_height_mm=f.crown_height * scale + draw(voxel),
        volume_mm3=volume + draw(0.5 * voxel * 1.5 * 4.836 * volume ** (2 / 3)),
        enamel_volume_mm3=f.enamel_volume * scale**3,
        confidence=0.95,
        locus_confidence=0.95,
        detection_confidence=0.99,
    )


def account_of(
    a: Anatomy,
    *,
    noise: int | None = None,
    changed: Mapping[str, float] | None = None,
    without: Sequence[str] = (),
    scale: float = 1.0,
    voxel: float = VOXEL,
) -> Account:
    """An account of a model.

    ``noise`` seeds the errors of measurement, none if None; ``changed`` multiplies quantities by name, such as ``left
    incisive foramen``; ``without`` names teeth (``upper left M2``) that are left out; ``scale`` enlarges the animal.
    """
    rng = None if noise is None else np.random.default_rng(noise)
    factor = dict(changed or {})
    k = a.animal.scale * scale

    def given(name: str, value: float, error: float) -> float:
        return value * factor.pop(name, 1.0) + (0.0 if rng is None else float(rng.normal(0, error)))

    teeth = tuple(record(t, k, rng, voxel) for t in a.teeth if f"{t.jaw} {t.side} {t.name}" not in without)
    openings: list[dict[str, Any]] = []
    for o in a.openings:
        r = o.record(k)
        side = "" if o.side == "midline" else f"{o.side} "
        error = 0.03 * r["area_mm2"]
        openings.append(
            {
                **{key: r[key] for key in ("term", "side", "perimeter_mm")},
                "part": None,
                "area_mm2": given(f"{side}{o.term}", r["area_mm2"], error),
                "area_error_mm2": error,
                "length_mm": r["length_mm"],
                "length_error_mm": 0.05,
                "width_mm": r["width_mm"],
                "width_error_mm": 0.05,
                "centroid_mm_xyz": [float(v) * k for v in r["centre"]],
                "confidence": 0.9,
                "basis": "known",
            }
        )
    measurements = [
        {
            "name": name,
            "value": given(name, value * scale, 0.05),
            "unit": "mm",
            "error": 0.05,
            "definition": name.replace(" ", "_"),
            "side": None,
            "landmarks": [[0.0, 0.0, 0.0], [0.0, 0.0, -value * scale]],
        }
        for name, value in LENGTHS.items()
    ]
    jaw = [
        {
            "side": side,
            "part": 1 + i,
            "angular_process_inflection_deg": given(f"inflection {side}", a.inflection[side], 1.0),
            "angular_process_inflection_error_deg": 1.0,
            "form": a.animal.design["angle"],
            "symphysis": "open",
        }
        for i, side in enumerate(("left", "right"))
    ]
    assert not factor, f"no quantity is called {list(factor)}"
    marks = {} if a.cranium is None else a.cranium.landmarks
    landmarks = [
        {"name": n, "point_mm_xyz": [float(v) * k for v in p], "decided_by": "computed"} for n, p in marks.items()
    ]
    bones = [(1, "dentary", "left"), (2, "dentary", "right"), (3, "cranium", None)]
    parts = [Part(n, "bone", term, side, 100.0, (0.0, 0.0, 0.0), 0.9) for n, term, side in bones]
    parts += [Part(t.part, "tooth", "tooth", t.side, t.volume_mm3, t.centroid_mm_xyz, 0.95) for t in teeth]
    stage = StageFacts(a.stage_name, "known", 0.9)
    return Account(
        ScanFacts((100, 100, 100), (voxel, voxel, voxel), handedness="stated"),
        PoseFacts(IDENTITY, 0.95, True),
        teeth,
        FormulaFacts(None, None, {}, "generic placental", 0.9, (), stage),
        tuple(parts),
        (),
        (),
        MadeBy("known", {}),
        openings=tuple(openings),
        jaw=tuple(jaw),
        measurements=tuple(measurements),
        landmarks=tuple(landmarks),
    )


def specimen(name: str, a: Anatomy, **options: Any) -> Compared:
    """A specimen of a model; options are those of `account_of`."""
    return Compared(name, account_of(a, **options))


def scanned(
    name: str, a: Anatomy, teeth: Sequence[Tooth], turn: np.ndarray, voxel: float, pose_error: np.ndarray | None = None
) -> Compared:
    """A specimen whose labels are its teeth's models voxelised on a grid that is turned by ``turn`` (3, 3).

    ``pose_error`` (4, 4) is applied after the true pose, as a reading that errs would have it.
    """
    clouds = [t.points(3) for t in teeth]
    points = np.concatenate(clouds) @ turn.T
    low = points.min(axis=0) - 5 * voxel
    shape = np.ceil((points.max(axis=0) + 5 * voxel - low) / voxel).astype(int)[::-1]
    labels = np.zeros(tuple(shape), np.int32)
    for t, cloud in zip(teeth, clouds, strict=True):
        own = (cloud @ turn.T - low) / voxel
        first, last = np.floor(own.min(axis=0)).astype(int) - 2, np.ceil(own.max(axis=0)).astype(int) + 3
        grid = np.stack(np.meshgrid(*[np.arange(i, j) for i, j in zip(first, last, strict=True)], indexing="ij"), -1)
        flat = grid.reshape(-1, 3)
        inside = np.asarray(t.distance((flat * voxel + low) @ turn)) < 0
        x, y, z = flat[inside].T
        labels[z, y, x] = t.label
    pose = np.eye(4)
    pose[:3, :3] = turn.T
    pose[:3, 3] = turn.T @ low
    if pose_error is not None:
        pose = pose_error @ pose
    account = account_of(a, voxel=voxel)
    account = replace(
        account,
        scan=replace(account.scan, shape_zyx=labels.shape, spacing_mm_zyx=(voxel, voxel, voxel)),
        pose=PoseFacts(tuple(tuple(float(v) for v in row) for row in pose), 0.9, True),
    )
    return Compared(name, account, lambda: labels)
