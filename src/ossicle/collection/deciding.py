"""From what a person said to a decision: finding the structure that is meant, and anchoring it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ossicle.account import Account, Finding, ScanFacts
from ossicle.anatomy import Locus, ToothName
from ossicle.errors import OssicleError
from ossicle.reading.records import Vector

from . import kinds as k
from .anchors import Anchor, Structures
from .history import Decision, last_of, undone
from .replay import Replayed

__all__ = ["anchored", "to_grid_mm", "with_target"]

MOST_ANCHORED = 2
"""A finding about no more teeth than this is anchored to them; one about more, to its id."""


def to_grid_mm(point: Vector, facts: ScanFacts) -> Vector:
    """Return a point of the account's scan coordinates as index (x, y, z) times spacing, mm."""
    if facts.affine_mm is None:
        return point
    z, y, x = facts.spacing_mm_zyx
    index = np.linalg.inv(np.asarray(facts.affine_mm, float)) @ [*point, 1.0]
    return (float(index[0] * x), float(index[1] * y), float(index[2] * z))


def anchored(
    said: k.Request, who: str, at: str, why: str, replayed: Replayed, structures: Structures, facts: ScanFacts
) -> Decision:
    """Return a request as a decision, still without a number.

    Parameters
    ----------
    said
        Anything but an undo or redo (see `with_target`).
    who, at, why
        The person, the time (ISO 8601), the reason.
    replayed
        The account as the person saw it.
    structures, facts
        Of the same reading.

    Raises
    ------
    OssicleError
        What is meant is not there, or cannot be.
    """
    maker = _Maker(replayed, structures, facts)
    anchors, told = maker.make(said)
    return Decision(
        number=0, kind=said.kind, who=who, at=at, why=why, scan=structures.scan, anchors=tuple(anchors), said=told
    )


def with_target(said: k.Undo | k.Redo, who: str, at: str, why: str, decisions: Sequence[Decision]) -> Decision:
    """Return an undo or redo as a decision, still without a number.

    Raises
    ------
    OssicleError
        There is nothing to undo or redo, or the decision named is none that can be.
    """
    target = said.number if said.number is not None else last_of(decisions, who, said.kind)
    if target is None:
        raise OssicleError(f"there is nothing of {who} to {said.kind}", mend="the history numbers all decisions")
    named = next((d for d in decisions if d.number == target), None)
    if named is None:
        raise OssicleError(f"there is no decision {target}", mend="the history numbers all decisions")
    if named.kind in ("undo", "redo"):
        raise OssicleError(f"decision {target} is itself an {named.kind}", mend=f"name decision {named.target}")
    gone = target in undone(decisions)
    if said.kind == "undo" and gone:
        raise OssicleError(f"decision {target} is undone already", mend="redo lets it hold again")
    if said.kind == "redo" and not gone:
        raise OssicleError(f"decision {target} is not undone", mend="undo takes it back")
    return Decision(number=0, kind=said.kind, who=who, at=at, why=why, target=target)


class _Maker:
    def __init__(self, replayed: Replayed, structures: Structures, facts: ScanFacts) -> None:
        self.account: Account = replayed.account
        self.shown = {t.part: t for t in replayed.reading.teeth}
        self.structures, self.facts = structures, facts
        self.findings: dict[str, Finding] = {f.id: f for f in self.account.findings}

    def make(self, said: k.Request) -> tuple[list[Anchor], dict[str, Any]]:
        match said:
            case k.Agree() | k.Dispute():
                return self._finding(said.finding)
            case k.Amend():
                anchors, told = self._finding(said.finding)
                if self.findings[told["finding"]].region == "teeth":
                    raise OssicleError("a tooth's name is not amended but given anew", mend="use rename or generation")
                return anchors, {**told, "was": told["value"], "value": said.value, "statement": said.statement}
            case k.Rename():
                return self._rename(said)
            case k.SetGeneration():
                part, first = self._tooth(said.at)
                tooth = self.shown[part]
                locus = Locus(tooth.jaw, tooth.side, tooth.tooth_class, tooth.position)
                ToothName(locus, said.generation)
                return [self._anchor(part, first)], {"generation": said.generation}
            case k.SetSide():
                part, first = self._tooth(said.at)
                return [self._anchor(part, first)], {"side": said.side}
            case k.Discard():
                part, first = self._tooth(said.at)
                return [self._anchor(part, first)], {}
            case k.Join():
                found = [self._tooth(at) for at in said.at]
                if len({part for part, _ in found}) < 2:
                    raise OssicleError("these are one structure already", mend="name two or more")
                return [self._anchor(part, first) for part, first in found], {}
            case k.Cut():
                return self._cut(said)
            case k.Add():
                point = self._inside(said.point)
                label = self.structures.labels_at([point])[0]
                if label in self.shown:
                    raise OssicleError(
                        f"the {self._words(label)} is read there", where="this point", mend="cut it, or point elsewhere"
                    )
                return [self.structures.place([point])], {}
            case k.PlaceLandmark():
                point = self._inside(said.point)
                return [self.structures.place([point], self.structures.labels_at([point])[0])], {"name": said.name}
            case k.SetMidplane():
                points = [self._inside(p) for p in said.points]
                edges = np.asarray(points) - np.mean(points, axis=0)
                spread = np.linalg.svd(edges, compute_uv=False)
                if spread[1] < 0.02 * max(spread[0], 1e-9):
                    raise OssicleError("the points lie on one line and set no plane", mend="place one off the line")
                return [self.structures.place(points)], {"up": said.up, "front": said.front}
            case k.Score():
                return [], {"character": said.character, "state": said.state, "computed": said.computed}
            case _:
                raise OssicleError(f"{said.kind} has a target and no anchor", mend="use with_target")

    def _finding(self, name: str) -> tuple[list[Anchor], dict[str, Any]]:
        wanted = name if name in self.findings else f"tooth/{name}"
        found = self.findings.get(wanted)
        if found is None:
            close = [i for i in self.findings if name.lower() in i.lower()][:3]
            raise OssicleError(
                f"no finding has the id {name!r}",
                mend=f"did you mean {' or '.join(close)}?" if close else "`ossicle account` lists their ids",
            )
        parts = found.evidence.parts
        about_teeth = found.region == "teeth" or "/gap/" in found.id
        anchors = [self._anchor(p, None) for p in parts] if about_teeth and len(parts) <= MOST_ANCHORED else []
        told = {"finding": found.id, "value": found.value, "unit": found.unit, "was_said": found.statement}
        return anchors, told

    def _rename(self, said: k.Rename) -> tuple[list[Anchor], dict[str, Any]]:
        part, first = self._tooth(said.at)
        name, tooth = ToothName.parse(said.name), self.shown[part]
        locus = Locus(tooth.jaw, tooth.side, name.tooth_class, name.position)
        written = ToothName(locus, "deciduous" if name.deciduous else "permanent")
        return [self._anchor(part, first)], {"name": str(written)}

    def _anchor(self, part: int, first: Vector | None) -> Anchor:
        anchor = self.structures.anchor(part, first)
        tooth = self.shown.get(part)
        if anchor.structure is None or tooth is None:
            return anchor
        return replace(anchor, structure=replace(anchor.structure, name=tooth.name, side=tooth.side))

    def _words(self, part: int) -> str:
        tooth = self.shown[part]
        return f"{tooth.side} {tooth.jaw} {tooth.name}"

    def _inside(self, point: Vector) -> Vector:
        grid = to_grid_mm(point, self.facts)
        ends = [n * s for n, s in zip(self.facts.shape_zyx, self.facts.spacing_mm_zyx, strict=True)][::-1]
        if not all(0 <= at <= end for at, end in zip(grid, ends, strict=True)):
            raise OssicleError(
                f"the point {', '.join(f'{v:g}' for v in point)} lies outside the scan",
                mend="give scan coordinates x,y,z in mm, as the account has them",
            )
        return grid

    def _tooth(self, at: k.Target) -> tuple[int, Vector | None]:
        """Return the tooth that is meant, and the point given, if one was."""
        if isinstance(at, str):
            wanted = at.removeprefix("tooth/").strip()
            found = self.findings.get(f"tooth/{wanted}") or self.findings.get(f"tooth/{_as_id(wanted)}")
            if found is None:
                close = [i.removeprefix("tooth/") for i in self.findings if i.lower().endswith(f"/{wanted.lower()}")]
                raise OssicleError(
                    f"no tooth is called {at!r} in this account",
                    mend=f"say {' or '.join(close[:4])}" if close else "write it as upper-left/P3, or give a point",
                )
            return found.evidence.parts[0], None
        if isinstance(at, int):
            if at not in self.shown:
                raise OssicleError(f"part {at} of this reading is no tooth", mend="the account lists the parts")
            return at, None
        point = self._inside(at)
        label = self.structures.labels_at([point])[0]
        if label not in self.shown:
            raise OssicleError(
                f"no tooth is read at {', '.join(f'{v:g}' for v in at)}", mend="point into a tooth, or add a missed one"
            )
        return label, point

    def _cut(self, said: k.Cut) -> tuple[list[Anchor], dict[str, Any]]:
        part, first = self._tooth(said.at)
        if said.seeds:
            seeds = [self._inside(p) for p in said.seeds]
            if any(label != part for label in self.structures.labels_at(seeds)):
                raise OssicleError(
                    f"a seed lies outside the {self._words(part)}", mend="put each seed into the tooth that is cut"
                )
        else:
            assert said.view is not None
            seeds = self._sides_of_stroke(part, [self._inside(p) for p in said.stroke], said.view)
        told: dict[str, Any] = {"seeds_mm": [list(p) for p in seeds]}
        if said.stroke:
            told |= {"stroke_mm": [list(to_grid_mm(p, self.facts)) for p in said.stroke], "view": list(said.view or ())}
        return [self._anchor(part, first)], told

    def _sides_of_stroke(self, part: int, stroke: Sequence[Vector], view: Vector) -> list[Vector]:
        """Return the deepest point of a tooth on each side of the plane through a drawn stroke and the line of view."""
        import edt

        line = np.asarray(stroke, float)
        middle = line.mean(axis=0)
        along = np.linalg.svd(line - middle)[2][0]
        normal = np.cross(along, np.asarray(view, float))
        size = float(np.linalg.norm(normal))
        if size < 0.1 * float(np.linalg.norm(view)) or size == 0:
            raise OssicleError("the stroke runs along the line of view", mend="draw it across the tooth")
        record, s = self.structures.parts[part], self.structures.spacing
        reach = 3 * (3 * max(record.volume_mm3, 0.0) / (4 * math.pi)) ** (1 / 3) + 4 * float(s.max())
        centre = np.asarray(record.centroid_mm_xyz[::-1])
        shape = np.asarray(self.structures.reading.labels.shape)
        low = np.maximum(np.floor((centre - reach) / s), 0).astype(int)
        high = np.minimum(np.ceil((centre + reach) / s) + 1, shape).astype(int)
        box = tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))
        own = np.asarray(self.structures.reading.labels[box]) == part
        grid = np.indices(own.shape).reshape(3, -1).T + low
        side = ((grid * s)[:, ::-1] - middle) @ (normal / size)
        seeds: list[Vector] = []
        for half in (side > 0, side <= 0):
            depth = np.asarray(edt.edt(np.pad(own & half.reshape(own.shape), 1), anisotropy=tuple(s), parallel=1))
            if depth.max() <= 0:
                raise OssicleError(
                    f"the stroke does not cross the {self._words(part)}", mend="draw it across the tooth that is cut"
                )
            z, y, x = (np.array(np.unravel_index(int(np.argmax(depth)), depth.shape)) - 1 + low) * s
            seeds.append((float(x), float(y), float(z)))
        return seeds


def _as_id(text: str) -> str:
    """Return ``upper left dP3`` as ``upper-left/dP3``."""
    words = text.replace("/", " ").replace("-", " ").split()
    if len(words) != 3:
        return text
    first, second, name = words
    jaw, side = (first, second) if first in ("upper", "lower") else (second, first)
    return f"{jaw}-{side}/{name}"
