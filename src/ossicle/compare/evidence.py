"""The evidence of a difference in each specimen: which parts show it, and where to stand."""

from __future__ import annotations

from collections.abc import Sequence

from ossicle.account.records import Evidence, View
from ossicle.account.views import teeth_evidence
from ossicle.reading.records import Pose

from .counterparts import LocusState
from .quantities import Quantity
from .specimens import Compared

__all__ = ["of_all_teeth", "of_locus", "of_parts", "of_quantity", "pose_of"]

_FROM_BELOW = ((0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
_FROM_LEFT = ((-1.0, 0.0, 0.0), (0.0, 1.0, 0.0))


def pose_of(s: Compared) -> Pose:
    """The pose of a specimen as the makers of views take it."""
    p = s.account.pose
    return Pose(s.to_skull, p.confidence, p.confidence, p.confidence, p.found, p.questions)


def of_all_teeth(*both: Compared) -> tuple[Evidence, Evidence]:
    """Return all teeth of two specimens as evidence, one after the other."""
    found = [teeth_evidence(pose_of(s), list(s.account.teeth), caption="All teeth, bone veiled.") for s in both]
    return (found[0], found[1])


def of_locus(s: Compared, own: LocusState, other: LocusState) -> Evidence:
    """The teeth of the locus; where it is empty, its neighbours in the row, so that one sees the gap."""
    if own.teeth:
        return teeth_evidence(pose_of(s), list(own.teeth), row=own.key[:2])
    jaw, side, kind, position = own.key
    row = [t for t in s.account.teeth if (t.jaw, t.side) == (jaw, side)]
    near = sorted(row, key=lambda t: (t.tooth_class != kind, abs(t.position - position)))[:2]
    name = next((t.name for t in other.teeth), "")
    return teeth_evidence(pose_of(s), near, row=(jaw, side), caption=f"Where {name} would stand, bone veiled.")


def of_quantity(s: Compared, q: Quantity) -> Evidence:
    """Return what a quantity was measured on: its teeth, its parts, or its points."""
    teeth = [t for t in s.account.teeth if t.part in q.parts]
    if teeth:
        return teeth_evidence(pose_of(s), teeth, caption=f"{q.name[0].upper()}{q.name[1:]}.")
    if not q.points and q.parts:
        return of_parts(s, q.parts, q.name)
    return _looked_at(q.points, q.parts, q.name)


def of_parts(s: Compared, parts: Sequence[int], caption: str) -> Evidence:
    """Return parts as evidence, seen together."""
    centres = [tuple(float(v) for v in s.skull(p.centroid_mm_xyz)) for p in s.account.parts if p.part in parts]
    return _looked_at(tuple(centres), tuple(parts), caption)


def _looked_at(points: tuple[tuple[float, ...], ...], parts: tuple[int, ...], caption: str) -> Evidence:
    caption = f"{caption[0].upper()}{caption[1:]}."
    below = any(word in caption for word in ("palat", "foramen", "fenestra"))
    look, up = _FROM_BELOW if below else _FROM_LEFT
    if not points:
        return Evidence(parts, View(look, up, caption, presence=dict.fromkeys(parts, "solid")))
    low = [min(p[i] for p in points) for i in range(3)]
    high = [max(p[i] for p in points) for i in range(3)]
    x, y, z = (round((a + b) / 2, 3) for a, b in zip(low, high, strict=True))
    extent = round(max(1.3 * max(b - a for a, b in zip(low, high, strict=True)), 5.0), 3)
    return Evidence(parts, View(look, up, caption, (x, y, z), extent, presence=dict.fromkeys(parts, "solid")))
