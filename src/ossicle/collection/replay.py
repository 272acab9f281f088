"""The account of a specimen: a reading, and the decisions of persons replayed on it.

Names, generations, sides and discards are applied at once. Joins, cuts, added teeth and the midplane change the parts
themselves, so they wait for a new reading, which takes them as hints; until then they are listed. What a person said of
a finding holds for the finding of the same structure, whatever it is called now. A decision that no longer fits is
listed with the reason; none is dropped.

A person's word counts as certain (confidence 1; convention of this program). Where two persons differ about one
thing the later word is shown, and its standing is ``disputed``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from ossicle.account import Account, Finding, MadeBy, ScanFacts, build_account
from ossicle.account.frame import in_file_frame
from ossicle.account.records import Standing
from ossicle.reading.records import Reading, Vector
from ossicle.reading.structures import Structures as StructureRecords

from .anchors import Structures, moved_by
from .history import BEARING, Decision, in_force, undone
from .naming import Said, renamed, with_pairs
from .readings import KeptReading
from .standings import amended, last_words, stood
from .values import in_words, same_value

__all__ = ["Fate", "Replayed", "Seen", "replay"]

_STALE = (
    "This reading was made with other decisions than those that hold now: what follows from them (measures, names of "
    "neighbours, joined or cut teeth) is told by a new reading."
)

Holds = Literal["in force", "undone", "superseded", "awaits a new reading", "no longer fits"]


@dataclass(frozen=True)
class Fate:
    """What became of one decision in this reading: whether it holds, on which part or finding, and why not."""

    number: int
    holds: Holds
    part: int | None = None
    finding: str | None = None
    why: str = ""


@dataclass(frozen=True)
class Replayed:
    """An account with decisions, and what became of each.

    ``landmarks`` are points in the scan coordinates of the account, mm. ``stale`` says that the reading was made with
    other decisions than those that hold now, so that a new one may differ.
    """

    account: Account
    reading: Reading
    fates: tuple[Fate, ...]
    landmarks: Mapping[str, Vector] = field(default_factory=dict)
    stale: bool = False

    @property
    def unfit(self) -> tuple[Fate, ...]:
        """The decisions that no longer fit, for the person to look at."""
        return tuple(f for f in self.fates if f.holds == "no longer fits")

    @property
    def waiting(self) -> tuple[Fate, ...]:
        """The decisions that a new reading will heed."""
        return tuple(f for f in self.fates if f.holds == "awaits a new reading")


@dataclass(frozen=True)
class Seen:
    """A reading as a person sees it: with all decisions made so far, some perhaps followed at their place
    (`ossicle.collection.local`), and the account that they give."""

    kept: KeptReading
    decisions: Sequence[Decision]
    replayed: Replayed


def replay(
    structures: Structures,
    facts: ScanFacts,
    made_by: MadeBy,
    decisions: Sequence[Decision],
    *,
    heeded: Iterable[int] = (),
    warnings: tuple[str, ...] = (),
    by: str | None = None,
) -> Replayed:
    """Return the account of a reading with decisions.

    Parameters
    ----------
    structures
        The reading, its coordinates index times spacing.
    facts, made_by, warnings
        As `ossicle.account.build_account` takes them.
    decisions
        All of the specimen, in order.
    heeded
        Numbers of the decisions that the reading was given as hints.
    by
        Only what this person said.
    """
    wanted = in_force(decisions)
    given = set(heeded)
    stale = given != {d.number for d in wanted if d.kind in BEARING and structures.led_from(d.scan)}
    if by is not None:
        wanted = [d for d in wanted if d.who == by]
    gone = undone(decisions)
    past = {str(d.said["name"]) for d in decisions if d.kind == "landmark" and d.number in given}
    fates = {d.number: Fate(d.number, "undone") for d in decisions if d.number in gone}
    worked = _Work(structures, wanted, given, past)
    reading = worked.reading()
    framed = in_file_frame(reading, facts.spacing_mm_zyx, facts.affine_mm)
    settings = {**made_by.settings, "decisions": [d.number for d in wanted]} if wanted else made_by.settings
    told = (*warnings, _STALE) if stale else warnings
    account = build_account(
        framed, facts, replace(made_by, settings=settings), warnings=told, placed=tuple(worked.landmarks)
    )
    account = worked.judged(account)
    fates |= worked.fates
    landmarks = {name: _framed(point, facts) for name, point in worked.landmarks.items()}
    return Replayed(account, reading, tuple(fates[n] for n in sorted(fates)), landmarks, stale)


def _framed(point: Vector, facts: ScanFacts) -> Vector:
    if facts.affine_mm is None:
        return point
    z, y, x = facts.spacing_mm_zyx
    index = (point[0] / x, point[1] / y, point[2] / z, 1.0)
    a, b, c = (sum(row[k] * index[k] for k in range(4)) for row in facts.affine_mm[:3])
    return (a, b, c)


class _Work:
    """One replay: the decisions in force against one reading."""

    def __init__(self, structures: Structures, wanted: Sequence[Decision], heeded: set[int], past: set[str]) -> None:
        self.structures, self.wanted, self.heeded = structures, wanted, heeded
        self.withdrawn = past  # landmarks that the reading was given; those still in force are placed again
        self.fates: dict[int, Fate] = {}
        self.landmarks: dict[str, Vector] = {}
        self.placed: dict[str, int] = {}
        self.scored: dict[tuple[str, str], int] = {}
        self.names: dict[int, list[Said]] = {}
        self.discards: set[int] = set()
        self.reshaped = self._reshaped()
        for d in wanted:
            handler = getattr(self, f"_{d.kind}", None)
            if handler is not None:
                handler(d)

    # -- structures

    def _reshaped(self) -> set[int]:
        """Parts that a person joined or cut: they may have any size."""
        points = [
            p
            for d in self.wanted
            if d.kind in ("join", "cut", "add")
            for a in d.anchors
            for p in (*self.structures.points_of(a, d.scan), *self._seeds(d))
        ]
        return set(self.structures.labels_at(points)) - {0}

    def _seeds(self, d: Decision) -> tuple[Vector, ...]:
        seeds = [(float(p[0]), float(p[1]), float(p[2])) for p in d.said.get("seeds_mm", ())]
        return self.structures.carried(seeds, d.scan, d.anchors[0].structure) if seeds else ()

    def _part(self, d: Decision) -> int | None:
        """Return the tooth that a decision is about; where there is none, note why."""
        found = self.structures.find(d.anchors[0], d.scan)
        if found.part is None:
            loose = self.structures.find(d.anchors[0], d.scan, any_size=True)
            if loose.part in self.reshaped:
                found = loose
        if found.part is None:
            self.fates[d.number] = Fate(d.number, "no longer fits", why=found.why)
        else:
            self.fates[d.number] = Fate(d.number, "in force", part=found.part)
        return found.part

    def _naming(self, d: Decision) -> None:
        part = self._part(d)
        if part is not None:
            said = Said(d.number, d.who, d.said.get("name"), d.said.get("generation"), d.said.get("side"))
            self.names.setdefault(part, []).append(said)

    _rename = _generation = _side = _naming

    def _discard(self, d: Decision) -> None:
        points = self.structures.points_of(d.anchors[0], d.scan)
        if points and not any(label in self.structures.teeth for label in self.structures.labels_at(points)):
            self.fates[d.number] = Fate(d.number, "in force", why="no tooth is read there")
            return
        part = self._part(d)
        if part is not None:
            self.discards.add(part)

    def _waits(self, d: Decision, why: str) -> None:
        if d.number in self.heeded:
            self.fates[d.number] = Fate(d.number, "no longer fits", why=f"the reading did not follow it: {why}")
        elif not self.structures.led_from(d.scan):
            self.fates[d.number] = Fate(d.number, "no longer fits", why="it was made on another scan")
        else:
            self.fates[d.number] = Fate(d.number, "awaits a new reading", why=why)

    def _teeth_at(self, points: Iterable[Vector]) -> list[int | None]:
        return [label if label in self.structures.teeth else None for label in self.structures.labels_at(list(points))]

    def _join(self, d: Decision) -> None:
        at = self._teeth_at(p for a in d.anchors for p in self.structures.points_of(a, d.scan)[:1])
        if len(at) == len(d.anchors) and None not in at and len(set(at)) == 1:
            self.fates[d.number] = Fate(d.number, "in force", part=at[0])
        else:
            self._waits(d, "the pieces are still read apart")

    def _cut(self, d: Decision) -> None:
        at = self._teeth_at(self._seeds(d))
        if at and None not in at and len(set(at)) == len(at):
            self.fates[d.number] = Fate(d.number, "in force", part=at[0])
        else:
            self._waits(d, "the pieces are not read apart")

    def _add(self, d: Decision) -> None:
        at = self._teeth_at(self.structures.points_of(d.anchors[0], d.scan)[:1])
        if at and at[0] is not None:
            self.fates[d.number] = Fate(d.number, "in force", part=at[0])
        else:
            self._waits(d, "no tooth is read there")

    def _midplane(self, d: Decision) -> None:
        if d.number in self.heeded:
            self.fates[d.number] = Fate(d.number, "in force")
        else:
            self._waits(d, "the pose is that of the reading")

    def _score(self, d: Decision) -> None:
        """A score says nothing of the account; the same person's later word on a character holds."""
        told = (d.who, str(d.said["character"]))
        if told in self.scored:
            self.fates[self.scored[told]] = Fate(self.scored[told], "superseded", why=f"by decision {d.number}")
        self.scored[told] = d.number
        self.fates[d.number] = Fate(d.number, "in force")

    def _landmark(self, d: Decision) -> None:
        points = self.structures.points_of(d.anchors[0], d.scan)
        if points:
            name = str(d.said["name"])
            if name in self.placed:
                self.fates[self.placed[name]] = Fate(self.placed[name], "superseded", why=f"by decision {d.number}")
            self.landmarks[name], self.placed[name] = points[0], d.number
            self.fates[d.number] = Fate(d.number, "in force")
        else:
            why = "it was made on another scan, and no pose leads from that to this"
            self.fates[d.number] = Fate(d.number, "no longer fits", why=why)

    def reading(self) -> Reading:
        """Return the reading with names, generations, sides and discards applied."""
        read = self.structures.reading
        changed = {part: renamed(self.structures.teeth[part], said) for part, said in self.names.items()}
        teeth = [changed.get(t.part, t) for t in read.teeth if t.part not in self.discards]
        touched = set(changed) | self.discards
        if touched:
            teeth = with_pairs(teeth, touched)
        parts = tuple(
            replace(p, kind="fragment", term="fragment")
            if p.part in self.discards
            else replace(p, side=changed[p.part].side)
            if p.part in changed
            else p
            for p in read.parts
        )
        rows = tuple(replace(r, parts=tuple(p for p in r.parts if p not in self.discards)) for r in read.rows)
        return replace(read, teeth=tuple(teeth), parts=parts, rows=rows, structures=self._marked(read))

    def _marked(self, read: Reading) -> StructureRecords | None:
        """Return the structures with landmarks where persons placed them, and without those placed that no longer hold.

        Where the reading itself would find one of these is not known before it is made anew.
        """
        found = read.structures
        if not self.landmarks and not (self.withdrawn and found is not None):
            return found
        known = StructureRecords() if found is None else found
        matrix = np.asarray(read.pose.scan_to_skull, float)
        marks = {name: point for name, point in known.landmarks.items() if name not in self.withdrawn}
        marks |= {name: np.asarray(moved_by(matrix, [point])[0], np.float64) for name, point in self.landmarks.items()}
        return replace(known, landmarks=marks)

    # -- findings

    def judged(self, account: Account) -> Account:
        """Return the account with the standing that persons gave to its findings."""
        by_id = {f.id: f for f in account.findings}
        words: dict[str, dict[str, tuple[Standing, Any]]] = {}
        statements: dict[str, str] = {}
        of_tooth = {f.evidence.parts[0]: f.id for f in account.findings if f.region == "teeth" and f.evidence.parts}
        for part, said in self.names.items():
            finding = of_tooth.get(part)
            for one in said if finding is not None else ():
                words.setdefault(str(finding), {})[one.who] = ("amended", last_words(said, one.who))
        for d in self.wanted:
            if d.kind not in ("agree", "amend", "dispute"):
                continue
            found = self._finding(d, account, by_id)
            if found is None:
                continue
            later = self._later(found, d)
            if later is not None:
                self.fates[d.number] = Fate(d.number, "superseded", finding=found.id, why=f"by decision {later}")
                continue
            if d.kind != "amend" and not same_value(d.said.get("value"), found.value):
                why = f"it was about {in_words(d.said.get('value'))}, the reading now says {in_words(found.value)}"
                self.fates[d.number] = Fate(d.number, "no longer fits", finding=found.id, why=why)
                continue
            self.fates[d.number] = Fate(d.number, "in force", finding=found.id)
            standing: Standing = {"agree": "agreed", "amend": "amended", "dispute": "disputed"}[d.kind]  # type: ignore[assignment]
            own = words.setdefault(found.id, {})
            if d.kind == "agree" and own.get(d.who, ("", None))[0] == "amended" and found.region == "teeth":
                continue  # to agree to what one has said oneself changes nothing
            own[d.who] = (standing, d.said.get("value"))
            if d.kind == "amend":
                statements[found.id] = amended(found, d)
            else:
                statements.pop(found.id, None)
        return replace(account, findings=tuple(stood(f, words.get(f.id), statements) for f in account.findings))

    def _later(self, found: Finding, d: Decision) -> int | None:
        """Return the later decision of a person that gave the tooth of a finding another name than ``d`` is about."""
        if found.region != "teeth" or same_value(d.said.get("value"), found.value):
            return None
        later = [s.number for p in found.evidence.parts for s in self.names.get(p, ()) if s.number > d.number]
        return max(later, default=None)

    def _finding(self, d: Decision, account: Account, by_id: Mapping[str, Finding]) -> Finding | None:
        """Return the finding that a decision is about: by its structures where it has some, else by its id."""
        name = str(d.said["finding"])
        if not d.anchors:
            if name in by_id:
                return by_id[name]
            why = "the reading makes no such finding now"
            self.fates[d.number] = Fate(d.number, "no longer fits", why=why)
            return None
        parts = []
        for anchor in d.anchors:
            found = self.structures.find(anchor, d.scan)
            if found.part is None:
                loose = self.structures.find(anchor, d.scan, any_size=True)
                found = loose if loose.part in self.reshaped else found
            if found.part is None or found.part in self.discards:
                why = found.why or "what it was about was discarded"
                self.fates[d.number] = Fate(d.number, "no longer fits", why=why)
                return None
            parts.append(found.part)
        like = name.split("/")[0], "/gap/" in name
        for f in account.findings:
            if (f.id.split("/")[0], "/gap/" in f.id) == like and sorted(f.evidence.parts) == sorted(parts):
                return f
        self.fates[d.number] = Fate(d.number, "no longer fits", why="the reading makes no such finding now")
        return None
