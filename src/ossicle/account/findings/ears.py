"""The ear region as findings, one sentence each."""

from __future__ import annotations

import numpy as np

from ossicle.reading.records import Reading
from ossicle.reading.structures import Ear

from ..records import Finding
from ..words import percent
from .common import slug
from .structures import evidence_at, opening_finding, plus_minus

__all__ = ["ear_findings"]

_STATE = {"present": "is present", "absent": "is absent", "not_resolved": "is not resolved"}


def ear_findings(reading: Reading) -> list[Finding]:
    """Labyrinth, windows, ossicles, middle ear and petrosal of each ear."""
    s = reading.structures
    return [] if s is None else [f for e in s.ears for f in _ear(e)]


def _ear(e: Ear) -> list[Finding]:
    subject, found = f"{e.side} ear", []
    parts = () if e.part is None else (e.part,)
    size = 4.0
    if e.labyrinth_mm3 is not None:
        size = 4 * float(np.cbrt(e.labyrinth_mm3.value))
        turns = (
            f"; the cochlea makes {plus_minus(e.cochlear_turns, '')} turns{_long(e)}"
            if e.cochlear_turns is not None
            else f"; its turns are not counted, as {e.reasons.get('cochlear_turns', 'they were not resolved')}"
        )
        found.append(
            Finding(
                f"ear/labyrinth-{e.side}",
                "ear",
                subject,
                f"The {e.side} bony labyrinth holds {plus_minus(e.labyrinth_mm3, ' mm³')}{turns}.",
                "ear.labyrinth",
                0.6,
                value=e.labyrinth_mm3.value,
                unit="mm3",
                evidence=evidence_at(e.centre, size, f"The {e.side} labyrinth, bone veiled.", parts),
            )
        )
    if e.canal_radii_mm:
        found.append(_canals(e, parts, size))
    for w in (e.oval, e.round):
        if w is not None:
            found.append(opening_finding(w, "ear", f"ear/{slug(w.term)}-{e.side}", "ear.window", min(w.certain, 0.65)))
    if e.oval is None or e.round is None:
        one = "oval window" if e.oval is None else "round window"
        missing = "windows" if e.oval is None and e.round is None else one
        verb = "are" if missing == "windows" else "is"
        because = e.reasons.get("oval_window_mm2" if e.oval is None else "round_window_mm2", "nothing was found")
        found.append(
            Finding(
                f"ear/windows-{e.side}",
                "ear",
                subject,
                f"The {missing} of the {e.side} labyrinth {verb} not resolved: {because}.",
                "ear.window",
                0.6,
                value="not_resolved",
                evidence=evidence_at(e.centre, size, f"The {e.side} labyrinth, bone veiled.", parts),
            )
        )
    found += [_ossicle(e, bone, parts, size) for bone in ("stapes", "incus", "malleus")]
    found.append(_footplate(e, size))
    found += _middle_ear(e, size)
    found.append(_petrosal(e, size))
    return found


def _ossicle(e: Ear, bone: str, parts: tuple[int, ...], size: float) -> Finding:
    state, why = e.ossicles[bone], e.reasons.get(bone)
    own = (e.parts[bone],) if bone in e.parts else parts
    lost = ", which a dry skull often has lost" if state == "absent" else ""
    return Finding(
        f"ear/{bone}-{e.side}",
        "ear",
        f"{e.side} ear",
        f"The {e.side} {bone} {_STATE[state]}{lost}{f': {why}' if why else ''}.",
        "ear.ossicles",
        {"present": 0.75, "absent": 0.65, "not_resolved": 0.7}[state],
        value=state,
        evidence=evidence_at(
            e.oval.centre if e.oval is not None else e.centre, size, f"The {e.side} middle ear, bone veiled.", own
        ),
    )


def _footplate(e: Ear, size: float) -> Finding:
    plate = e.footplate_mm2
    return Finding(
        f"ear/footplate-{e.side}",
        "ear",
        f"{e.side} ear",
        f"The {e.side} footplate of the stapes has an area of {plus_minus(plate, ' mm²')}."
        if plate is not None
        else f"The size of the {e.side} footplate is not told: {e.reasons.get('footplate', 'it was not resolved')}.",
        "ear.footplate",
        0.6,
        value="not_resolved" if plate is None else plate.value,
        unit=None if plate is None else "mm2",
        evidence=evidence_at(e.oval.centre if e.oval is not None else e.centre, size, "The oval window.", ()),
    )


def _middle_ear(e: Ear, size: float) -> list[Finding]:
    """Volume of the middle-ear space, and which share of its floor is bone."""
    part = e.parts.get("tympanic cavity")
    centre = e.middle if e.middle is not None else e.centre
    view = evidence_at(centre, 1.6 * size, f"The {e.side} middle ear from below.", () if part is None else (part,))
    room = e.middle_ear_mm3
    found = [
        Finding(
            f"ear/middle-ear-{e.side}",
            "ear",
            f"{e.side} ear",
            f"The {e.side} middle-ear space holds {plus_minus(room, ' mm³')}, closed where its openings are narrowest, "
            "since a dry skull has no eardrum."
            if room is not None
            else f"The volume of the {e.side} middle-ear space is not told: "
            f"{e.reasons.get('middle_ear_mm3', 'it was not resolved')}.",
            "ear.middle",
            0.6,
            value="not_resolved" if room is None else room.value,
            unit=None if room is None else "mm3",
            evidence=view,
        )
    ]
    if e.floor_share is not None:
        found.append(
            Finding(
                f"ear/floor-{e.side}",
                "ear",
                f"{e.side} ear",
                f"The floor of the {e.side} middle ear is bone over {percent(e.floor_share)} of the directions within "
                "60° of straight down from its roomiest place. Which element makes it is not told, since sutures are "
                "not told apart here.",
                "ear.middle",
                0.6,
                value=e.floor_share,
                unit="share",
                evidence=view,
            )
        )
    return found


def _petrosal(e: Ear, size: float) -> Finding:
    part, contrast = e.parts.get("petrosal"), e.petrosal_contrast
    told = part is not None and contrast is not None
    return Finding(
        f"ear/petrosal-{e.side}",
        "ear",
        f"{e.side} petrosal",
        f"The {e.side} petrosal is told from the bone about it by its grey, which is {percent(contrast or 0.0)} "
        "brighter; its border lies half-way between the two greys and is no suture."
        if told
        else f"The {e.side} petrosal is not told from the bone about it: "
        f"{e.reasons.get('petrosal', 'none of its bone is free of other parts')}.",
        "ear.petrosal",
        0.5,
        value=contrast if told else "not_resolved",
        unit="share" if told else None,
        evidence=evidence_at(
            e.centre, 1.5 * size, f"The {e.side} petrosal, bone veiled.", () if part is None else (part,)
        ),
    )


def _long(e: Ear) -> str:
    v = e.cochlea_length_mm
    return "" if v is None else f" and its canal is {plus_minus(v, ' mm')} long"


def _canals(e: Ear, parts: tuple[int, ...], size: float) -> Finding:
    """Radii of the semicircular canals."""
    told = [f"{plus_minus(v, ' mm')} ({name})" for name, v in sorted(e.canal_radii_mm.items())]
    rest = sorted({"anterior", "posterior", "lateral"} - set(e.canal_radii_mm))
    more = "" if not rest else f"; not told of the {' and the '.join(rest)} canal"
    return Finding(
        f"ear/canals-{e.side}",
        "ear",
        f"{e.side} ear",
        f"The semicircular canals of the {e.side} ear have radii of curvature of {', '.join(told)}{more}.",
        "ear.canals",
        0.6,
        value=next(iter(e.canal_radii_mm.values())).value,
        unit="mm",
        evidence=evidence_at(e.centre, size, f"The {e.side} labyrinth, bone veiled.", parts),
    )
