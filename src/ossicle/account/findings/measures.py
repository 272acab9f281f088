"""Lengths, left against right, and the molars against the inhibitory cascade, as findings."""

from __future__ import annotations

import numpy as np

from ossicle.anatomy import cascade_share
from ossicle.anatomy.measurements import load_measurements
from ossicle.reading.records import Reading, Side
from ossicle.reading.structures import Asymmetry, Measured

from ..records import Evidence, Finding, View
from ..views import teeth_evidence, whole_skull
from ..words import join, number, percent
from .common import least, slug
from .structures import plus_minus

__all__ = ["asymmetry_findings", "cascade_findings", "crown_findings", "enamel_findings", "measurement_findings"]

NOTABLE = 2.0
"""Differences of sides beyond so many standard errors are told one by one."""


def measurement_findings(reading: Reading) -> list[Finding]:
    """One sentence a measure, with its definition's source."""
    s = reading.structures
    return [] if s is None else [_measured(m) for m in s.measured]


def _measured(m: Measured) -> Finding:
    known = load_measurements().get(m.definition)
    named = m.name[0].upper() + m.name[1:]
    a, b = m.ends
    centre = (np.asarray(a) + np.asarray(b)) / 2
    x, y, z = (round(float(v), 3) for v in centre)
    along = abs(np.asarray(a) - np.asarray(b))
    dorsal = along[0] >= along[2]
    view = View(
        (0.0, -1.0, 0.0) if dorsal else (-1.0, 0.0, 0.0),
        (0.0, 0.0, 1.0) if dorsal else (0.0, 1.0, 0.0),
        f"{named}, between its end points.",
        (x, y, z),
        round(1.3 * float(m.value_mm.value), 3),
    )
    by = f" ({known.source})" if known is not None else ""
    return Finding(
        f"measurements/{slug(m.name)}",
        "measurements",
        m.name,
        f"{named}: {plus_minus(m.value_mm, ' mm')}{by}.",
        "measures.length",
        0.8,
        value=m.value_mm.value,
        unit="mm",
        evidence=Evidence((), view),
    )


def asymmetry_findings(reading: Reading) -> list[Finding]:
    """Differences of the sides beyond their error, and how many quantities were compared."""
    s = reading.structures
    if s is None or not s.asymmetries:
        return []
    clear = [a for a in s.asymmetries if abs(a.share) > max(NOTABLE * a.error, 0.02)]
    found = [_asymmetry(a) for a in sorted(clear, key=lambda a: -abs(a.share))[:8]]
    rest = len(s.asymmetries) - len(clear)
    found.append(
        Finding(
            "asymmetry/all",
            "asymmetry",
            "both sides",
            f"Of {len(s.asymmetries)} paired quantities, {rest} are alike on both sides within their error or two per "
            f"cent" + (f"; {len(clear)} differ." if clear else "."),
            "measures.asymmetry",
            0.7,
            value={a.name: a.share for a in s.asymmetries},
            unit="share",
            evidence=Evidence((), whole_skull("ventral", "The skull from below, both sides.")),
        )
    )
    return found


def _asymmetry(a: Asymmetry) -> Finding:
    larger = "left" if a.share > 0 else "right"
    unit = {"mm": " mm", "mm2": " mm²", "mm3": " mm³", "degree": "°", "count": "", "turns": " turns"}[a.unit]
    return Finding(
        f"asymmetry/{slug(a.name)}",
        "asymmetry",
        a.name,
        f"{a.name[0].upper()}{a.name[1:]}: left {number(a.left)}{unit}, right {number(a.right)}{unit}; the {larger} "
        f"is the greater by {percent(abs(a.share))}, with an error of {percent(a.error)}.",
        "measures.asymmetry",
        0.7,
        value=a.share,
        unit="share",
        evidence=Evidence((), whole_skull("ventral", "The skull from below, both sides.")),
    )


def enamel_findings(reading: Reading) -> list[Finding]:
    """Enamel thickness of the crowns in which it is resolved."""
    s = reading.structures
    if s is None:
        return []
    found = []
    for tooth in reading.teeth:
        cap = s.enamel.get(tooth.part)
        if cap is not None:
            name = f"{tooth.side} {tooth.jaw} {tooth.name}"
            section = s.enamel_sections.get(tooth.part)
            flat = (
                f"; in one section across the row {number(section.average_mm)} mm, {number(section.relative)} relative"
                if section is not None
                else ""
            )
            found.append(
                Finding(
                    f"measurements/enamel-{slug(name)}",
                    "measurements",
                    name,
                    f"The enamel of the {name} is {number(cap.average_mm)} mm thick on average over its junction with "
                    f"the dentine, {number(cap.relative)} relative to the crown's dentine{flat}.",
                    "measures.enamel",
                    min(0.7, tooth.confidence),
                    value=cap.average_mm,
                    unit="mm",
                    evidence=teeth_evidence(reading.pose, [tooth], caption=f"The {name}."),
                )
            )
    return found


def crown_findings(reading: Reading) -> list[Finding]:
    """Cusps of the cheek teeth, and how high-crowned the molars are that are still erupting, and so unworn."""
    s = reading.structures
    if s is None:
        return []
    found = []
    for tooth in reading.teeth:
        name = f"{tooth.side} {tooth.jaw} {tooth.name}"
        cusps = s.cusps.get(tooth.part)
        if cusps is not None:
            many = "one peak" if cusps.count == 1 else f"{cusps.count} peaks"
            found.append(
                Finding(
                    f"measurements/cusps-{slug(name)}",
                    "measurements",
                    name,
                    f"The crown of the {name} has {many} that stand out by {number(cusps.prominence_mm, 2)} mm or "
                    "more; a worn crown may have had more.",
                    "dental.cusps",
                    min(cusps.confidence, tooth.confidence),
                    value=cusps.count,
                    unit="count",
                    evidence=teeth_evidence(reading.pose, [tooth], caption=f"The {name}."),
                )
            )
        if tooth.tooth_class == "molar" and tooth.emergence == "erupting" and tooth.width_mm > 0:
            index = tooth.crown_height_mm / tooth.width_mm
            if np.isfinite(index):
                found.append(
                    Finding(
                        f"measurements/hypsodonty-{slug(name)}",
                        "measurements",
                        name,
                        f"The crown of the {name}, which is still erupting and so not yet worn, is {number(index)} "
                        "times as high as it is wide.",
                        "dental.hypsodonty",
                        min(0.6, tooth.confidence),
                        value=index,
                        unit="ratio",
                        evidence=teeth_evidence(reading.pose, [tooth], caption=f"The {name}."),
                    )
                )
    return found


def cascade_findings(reading: Reading) -> list[Finding]:
    """The lower molars' areas against the inhibitory cascade, on sides that have three whole ones."""
    found = []
    sides: tuple[Side, Side] = ("left", "right")
    for side in sides:
        molars = sorted(
            (
                t
                for t in reading.teeth
                if (t.jaw, t.side, t.tooth_class) == ("lower", side, "molar")
                and t.completeness in ("complete", "worn")
                and np.isfinite(t.length_mm * t.width_mm)
            ),
            key=lambda t: t.position,
        )
        if [t.position for t in molars[:3]] != [1, 2, 3]:
            continue
        three = molars[:3]
        share = cascade_share(*(t.length_mm * t.width_mm for t in three))
        found.append(
            Finding(
                f"measurements/cascade-{side}",
                "measurements",
                f"lower {side} molars",
                f"On the {side}, {join(t.name for t in three)} of the lower jaw stand as "
                f"{join(number(t.length_mm * t.width_mm) for t in three)} mm² (length times width); the middle one "
                f"makes up {percent(share)} of the three, where the inhibitory cascade expects a third.",
                "measures.cascade",
                least(three),
                value=share,
                unit="share",
                evidence=teeth_evidence(reading.pose, three, caption=f"The {side} lower molars."),
            )
        )
    return found
