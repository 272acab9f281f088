"""Mental foramina and jaw joint as findings, one sentence each."""

from __future__ import annotations

import numpy as np

from ossicle.reading.records import Reading
from ossicle.reading.structures import JawHalf

from ..records import Evidence, Finding, View
from ..words import join, length
from .structures import plus_minus

__all__ = ["joint_findings", "mental_findings"]


def mental_findings(reading: Reading) -> list[Finding]:
    """The mental foramina of each dentary: how many, where against the teeth, how large."""
    s = reading.structures
    if s is None:
        return []
    placeable = {t.side for t in reading.teeth if t.jaw == "lower" and t.tooth_class in ("premolar", "molar")}
    return [_mental(j) for j in s.jaws if j.side in placeable]


def _mental(j: JawHalf) -> Finding:
    held = ", ".join(f"one {o.basis} of {plus_minus(o.area_mm2, ' mm²')}" for o in j.mental)
    statement = (
        f"The outer face of the {j.side} dentary shows {_number(len(j.mental))} before the hind end of the first "
        f"molar: {held}."
        if j.mental
        else f"No mental foramen wider than about two voxels shows on the outer face of the {j.side} dentary before "
        "the hind end of the first molar."
    )
    middle = np.mean([o.centre for o in j.mental], axis=0) if j.mental else j.front
    centre = (0.0, 0.0, 0.0) if middle is None else middle
    parts = [j.part, *(o.part for o in j.mental if o.part is not None)]
    size = max((o.length_mm.value for o in j.mental), default=1.0)
    spread = float(np.ptp([o.centre[2] for o in j.mental])) if j.mental else 0.0
    return Finding(
        f"jaw/mental-foramina-{j.side}",
        "jaw",
        f"{j.side} dentary",
        statement,
        "jaw.mental",
        0.7 if j.mental else 0.5,
        value=len(j.mental),
        unit="count",
        evidence=_beside(j, centre, 10 * size + 1.5 * spread, f"The {j.side} dentary from its outer side.", parts),
    )


def _number(count: int) -> str:
    return "one mental foramen" if count == 1 else f"{count} mental foramina"


def joint_findings(reading: Reading) -> list[Finding]:
    """The jaw joint of each side: what meets there as far as it is told apart, and how near."""
    s = reading.structures
    if s is None or "cranium" not in s.bones:
        return []
    told, apart = [], []
    for j in s.jaws:
        if j.joint_gap_mm is not None:
            told.append(f"{plus_minus(j.joint_gap_mm, ' mm')} on the {j.side}")
            apart.append(j)
    if not apart:
        return []
    j = apart[0]
    centre = j.condyle if j.condyle is not None else np.zeros(3)
    gap = min(x.joint_gap_mm.value for x in apart if x.joint_gap_mm is not None)
    return [
        Finding(
            "jaw/joint",
            "jaw",
            "jaw joint",
            f"The jaw hangs in the cranium by the condyle of the dentary, which lies {join(told)} from it at the "
            "nearest in this scan. Which bone of the cranium bears the socket is not told, since its sutures are not "
            "told here; neither is any bone of the lower jaw but the dentary.",
            "jaw.joint",
            0.6,
            value=gap,
            unit="mm",
            evidence=_beside(j, centre, max(6.0, 12 * gap), f"The {j.side} jaw joint, {length(gap)} wide.", [j.part]),
        )
    ]


def _beside(j: JawHalf, centre: object, extent: float, caption: str, parts: list[int]) -> Evidence:
    x, y, z = (round(float(v), 3) for v in np.asarray(centre, float))
    look = (-1.0, 0.0, 0.0) if j.side == "left" else (1.0, 0.0, 0.0)
    presence = dict.fromkeys(parts, "solid")
    view = View(look, (0.0, 1.0, 0.0), caption, (x, y, z), round(float(extent), 3), presence=presence)  # type: ignore[arg-type]
    return Evidence(tuple(parts), view)
