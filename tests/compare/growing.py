"""Specimens of known age, made from the courses of a practice animal's teeth (invented): no shapes, no scan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ossicle.account import Account, MadeBy, ScanFacts
from ossicle.account.records import FormulaFacts, PoseFacts, StageFacts
from ossicle.compare.specimens import Compared
from ossicle.practice.animals import animal
from ossicle.reading.records import ToothRecord

IDENTITY = tuple(tuple(float(v) for v in row) for row in np.eye(4))
STAGES = ((0.2, "newborn"), (0.55, "juvenile"), (0.85, "subadult"), (9.0, "adult"))


def grown(
    age: float,
    seed: int = 0,
    *,
    name: str | None = None,
    beast: str = "carnivore-like",
    scatter: float = 0.02,
    lost: Sequence[str] = (),
) -> Compared:
    """A specimen of an age (0 newborn, 1 adult).

    ``scatter`` is how far (in age, standard deviation) each tooth is ahead or behind; ``lost`` names teeth, as ``upper
    left M1``, that fell out.
    """
    rng = np.random.default_rng([seed, round(1000 * age)])
    teeth: list[ToothRecord] = []
    for locus in animal(beast).loci:
        for side in ("left", "right"):
            own = age + rng.normal(0, scatter)
            pairs = [(locus.second, "permanent" if locus.first or locus.kind == "molar" else "unreplaced")]
            if locus.first is not None:
                pairs.insert(0, (locus.first, "deciduous"))
            for generation, called in pairs:
                course = generation.course
                if not course.begun(own) or course.lost(own):
                    continue
                share = course.emergence(own)
                letter = locus.kind[0].upper() if locus.jaw == "upper" else locus.kind[0]
                number = "" if locus.kind == "canine" else str(locus.position)
                tooth = ("d" if called == "deciduous" else "") + letter + number
                if f"{locus.jaw} {side} {tooth}" in lost:
                    continue
                seen = share if share in (0.0, 1.0) else float(np.clip(share + rng.normal(0, 0.03), 0.02, 0.98))
                teeth.append(
                    ToothRecord(
                        part=len(teeth) + 1,
                        name=tooth,
                        jaw=locus.jaw,
                        side=side,
                        tooth_class=locus.kind,
                        position=locus.position,
                        generation=called,
                        emergence="in_crypt" if share <= 0.02 else "erupted" if share >= 0.85 else "erupting",
                        emergence_fraction=seen,
                        completeness="complete",
                        replaces=None,
                        replaced_by=None,
                        centroid_mm_xyz=(0.0, 0.0, 0.0),
                        length_mm=1.0,
                        width_mm=1.0,
                        crown_height_mm=1.0,
                        volume_mm3=1.0,
                        enamel_volume_mm3=0.1,
                        confidence=0.9,
                        locus_confidence=0.9,
                        detection_confidence=0.99,
                    )
                )
    stage = next(said for limit, said in STAGES if age < limit)
    account = Account(
        ScanFacts((10, 10, 10), (0.1, 0.1, 0.1), handedness="stated"),
        PoseFacts(IDENTITY, 0.9, True),
        tuple(teeth),
        FormulaFacts(None, None, {}, "generic placental", 0.9, (), StageFacts(stage, "known", 0.9)),
        (),
        (),
        (),
        MadeBy("known", {}),
    )
    return Compared(name or f"age {age:.2f}", account)
