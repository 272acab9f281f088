"""Anchors: where in the scan a decision holds, so that it finds its structure again in another reading.

An anchor is a set of points well inside the structure (the first of them the point that the person gave, where they
gave one), in mm (x, y, z): index (column, row, slice) times spacing, the frame of `ossicle.reading.Hints`. Label
numbers are never part of it. In a later reading the structure is the part that holds at least half of the points; where
none does, the tooth of the same jaw whose centre lies nearest, if that is within half of the structure's radius and 1.5
voxels. A part more than 1.8 times larger or smaller than the structure was, whose centre has moved by more than a
quarter of the radius and 1.5 voxels, is not taken for it: it was joined with another, or is a piece. (These limits:
convention of this program.)
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.reading.records import Reading, ToothRecord, Vector
from ossicle.reading.tally import boxes_of
from ossicle.scans.model import ArrayLike3D

from .alignment import Way

__all__ = ["Anchor", "Found", "Structure", "Structures", "inner_points", "moved_by"]

MOST_POINTS = 5
"""Points of an anchor. Convention of this program."""
LEAST_SHARE = 0.5
"""Share of an anchor's points that a part must hold to be its structure."""
NEAR = 0.5
"""How far off, in radii of a ball of the structure's volume, a tooth may lie that holds none of the points."""
SIZE_CHANGE = 1.8
"""Ratio of volumes beyond which a part whose centre has moved is not the structure that it was."""
MOVED = 0.25
"""How far, in radii, the centre of such a part may have moved. The centre of half a ball has moved by 0.375."""
SLACK_VOXELS = 1.5
"""What two scans of one specimen may differ by anyhow."""


@dataclass(frozen=True)
class Structure:
    """What the anchored structure was, when the decision was made: for the history, and to tell it from others."""

    kind: str
    term: str
    jaw: str | None
    side: str | None
    name: str | None
    volume_mm3: float
    centroid_mm: Vector

    @property
    def radius_mm(self) -> float:
        """Radius of a ball of its volume, mm."""
        return float((3 * max(self.volume_mm3, 0.0) / (4 * math.pi)) ** (1 / 3))

    def words(self) -> str:
        """Return it in words: ``left upper dP3``."""
        if self.name is None:
            return self.term if self.side is None else f"{self.side} {self.term}"
        return " ".join(w for w in (self.side, self.jaw, self.name) if w)


@dataclass(frozen=True)
class Anchor:
    """Points in scan mm (x, y, z; index times spacing), the same in skull mm, and the structure that they lie in."""

    points_mm: tuple[Vector, ...]
    structure: Structure | None = None
    points_skull_mm: tuple[Vector, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return plain data that `from_json` reads back."""
        return {
            "points_mm": [list(p) for p in self.points_mm],
            "points_skull_mm": [list(p) for p in self.points_skull_mm],
            "structure": None if self.structure is None else asdict(self.structure),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Anchor:
        """Read what `as_json` gave."""
        kept = data.get("structure")
        structure = None
        if kept is not None:
            structure = Structure(**{**kept, "centroid_mm": tuple(kept["centroid_mm"])})
        return cls(
            tuple((p[0], p[1], p[2]) for p in data["points_mm"]),
            structure,
            tuple((p[0], p[1], p[2]) for p in data.get("points_skull_mm", ())),
        )


@dataclass(frozen=True)
class Found:
    """The part in which an anchor lies in a reading, or why there is none."""

    part: int | None
    why: str = ""


def inner_points(labels_zyx: ArrayLike3D, spacing_mm_zyx: Sequence[float]) -> dict[int, tuple[Vector, ...]]:
    """Return for each label up to five points well inside it: the deepest, then those farthest from one another.

    Parameters
    ----------
    labels_zyx
        Whole numbers, shape (z, y, x).
    spacing_mm_zyx
        Spacing of the grid.

    Returns
    -------
    dict
        Points in mm (x, y, z), index times spacing. They do not depend on the numbers of the labels.
    """
    import edt

    out: dict[int, tuple[Vector, ...]] = {}
    spacing = np.asarray(spacing_mm_zyx, float)
    for part, box in boxes_of(labels_zyx).items():
        longest = max(s.stop - s.start for s in box)
        step = max(1, -(-longest // 96))
        thin = tuple(slice(s.start, s.stop, step) for s in box)
        own = np.pad(np.asarray(labels_zyx[thin]) == part, 1)
        if not own.any():  # a thin part between the steps
            step, own = 1, np.pad(np.asarray(labels_zyx[box]) == part, 1)
        depth = np.asarray(edt.edt(own, anisotropy=tuple(spacing * step), parallel=1))
        deep = np.argwhere(depth >= 0.5 * depth.max())
        start = np.array([s.start for s in box])
        places = ((deep - 1) * step + start) * spacing
        chosen = [int(np.argmax(depth[tuple(deep.T)]))]
        far = np.linalg.norm(places - places[chosen[0]], axis=1)
        while len(chosen) < MOST_POINTS and far.max() > 0:
            chosen.append(int(np.argmax(far)))
            far = np.minimum(far, np.linalg.norm(places - places[chosen[-1]], axis=1))
        out[part] = tuple((float(x), float(y), float(z)) for z, y, x in places[chosen])
    return out


def moved_by(matrix: npt.ArrayLike, points: Sequence[Vector]) -> tuple[Vector, ...]:
    """Return points (x, y, z) moved by a 4x4 matrix."""
    if not points:
        return ()
    m = np.asarray(matrix, float)
    moved = np.asarray(points, float) @ m[:3, :3].T + m[:3, 3]
    return tuple((float(x), float(y), float(z)) for x, y, z in moved)


class Structures:
    """The structures of one reading, found by points.

    Parameters
    ----------
    reading
        Its coordinates are index times spacing.
    spacing_mm_zyx
        Spacing of its grid.
    inner
        Points inside each part (`inner_points`).
    scan
        The key of the scan that was read.
    ways
        From other scans of the specimen, by their keys, to this one (`alignment.way_between`).
    """

    def __init__(
        self,
        reading: Reading,
        spacing_mm_zyx: Sequence[float],
        inner: Mapping[int, tuple[Vector, ...]],
        scan: str,
        ways: Mapping[str, Way] | None = None,
    ) -> None:
        self.reading, self.scan, self.ways = reading, scan, dict(ways or {})
        self.spacing = np.asarray(spacing_mm_zyx, float)
        self.slack = SLACK_VOXELS * float(self.spacing.max())
        self.inner = inner
        self.teeth: dict[int, ToothRecord] = {t.part: t for t in reading.teeth}
        self.parts = {p.part: p for p in reading.parts}
        self._blocks: dict[tuple[int, ...], npt.NDArray[Any]] = {}

    def labels_at(self, points_mm: Sequence[Vector]) -> list[int]:
        """Return the label at each point, 0 outside the grid. Each piece of a stored volume is read once."""
        labels: ArrayLike3D = self.reading.labels
        shape = np.asarray(labels.shape)
        chunks = np.asarray(getattr(labels, "chunks", labels.shape))
        out = []
        for point in points_mm:
            index = np.rint(np.asarray(point[::-1]) / self.spacing).astype(int)
            if np.any(index < 0) or np.any(index >= shape):
                out.append(0)
                continue
            corner = index // chunks * chunks
            key = tuple(int(c) for c in corner)
            if key not in self._blocks:
                if len(self._blocks) > 64:
                    self._blocks.clear()
                box = tuple(slice(int(a), int(min(a + c, n))) for a, c, n in zip(corner, chunks, shape, strict=True))
                self._blocks[key] = np.asarray(labels[box])
            out.append(int(self._blocks[key][tuple(index - corner)]))
        return out

    def anchor(self, part: int, first: Vector | None = None) -> Anchor:
        """Return an anchor of a part; ``first`` is the point that the person gave."""
        own = self.inner.get(part, ())
        points = own if first is None else (first, *own)[:MOST_POINTS]
        return self.place(points, part)

    def place(self, points: Sequence[Vector], part: int | None = None) -> Anchor:
        """Return an anchor of these very points, lying in ``part`` where given."""
        structure = None
        if part is not None and part in self.parts:
            p, tooth = self.parts[part], self.teeth.get(part)
            structure = Structure(
                kind=p.kind,
                term=p.term,
                jaw=None if tooth is None else tooth.jaw,
                side=p.side if tooth is None else tooth.side,
                name=None if tooth is None else tooth.name,
                volume_mm3=float(p.volume_mm3) if math.isfinite(p.volume_mm3) else 0.0,
                centroid_mm=p.centroid_mm_xyz,
            )
        points = tuple(points)
        skull = moved_by(self.reading.pose.scan_to_skull, points) if self.reading.pose.found else ()
        return Anchor(points, structure, skull)

    def points_of(self, anchor: Anchor, scan: str) -> tuple[Vector, ...]:
        """Return the anchor's points in this reading's scan.

        Where it was made on another scan they are carried over by the way between the two, or, where none is known,
        through the poses. Empty where nothing leads from that scan to this.
        """
        if scan == self.scan:
            return anchor.points_mm
        if scan in self.ways:
            return self.carried(anchor.points_mm, scan, anchor.structure)
        if not anchor.points_skull_mm or not self.reading.pose.found:
            return ()
        return moved_by(np.linalg.inv(np.asarray(self.reading.pose.scan_to_skull, float)), anchor.points_skull_mm)

    def led_from(self, scan: str) -> bool:
        """Whether points of a scan can be told in the mm of this one, other than through the poses alone."""
        return scan == self.scan or scan in self.ways

    def carried(self, points: Sequence[Vector], scan: str, of: Structure | None = None) -> tuple[Vector, ...]:
        """Return points of another scan (mm), lying in the structure ``of``, in this one; empty where no way is known.

        Points of this scan stay as they are.
        """
        if scan == self.scan:
            return tuple(points)
        if scan not in self.ways:
            return ()
        return moved_by(self.ways[scan].of(None if of is None else of.jaw), points)

    def find(self, anchor: Anchor, scan: str, *, teeth_only: bool = True, any_size: bool = False) -> Found:
        """Return the part in which an anchor lies.

        Parameters
        ----------
        anchor
            Made on the scan of key ``scan``.
        teeth_only
            Whether only teeth count.
        any_size
            Whether the part may have any size (a person joined or cut it).
        """
        points = self.points_of(anchor, scan)
        if not points:
            return Found(None, "it was made on another scan, and no pose leads from that to this")
        was = anchor.structure
        known = self.teeth if teeth_only else self.parts
        votes = Counter(label for label in self.labels_at(points) if label in known)
        best = self._most(votes, points[0])
        if best is None or votes[best] < LEAST_SHARE * len(points):
            best = self._near(points, was) if was is not None and was.kind == "tooth" else None
            if best is None:
                return Found(None, "nothing is read there now" if not votes else "what was there is read in pieces now")
        if was is None or any_size:
            return Found(best)
        ratio = self.parts[best].volume_mm3 / max(was.volume_mm3, 1e-9) if best in self.parts else 1.0
        if 1 / SIZE_CHANGE <= ratio <= SIZE_CHANGE or not math.isfinite(ratio):
            return Found(best)
        stood = self.carried([was.centroid_mm], scan, was)
        if not stood:  # another scan, and nothing but the poses leads here
            x, y, z = np.add(was.centroid_mm, np.subtract(points[-1], anchor.points_mm[-1]))
            stood = ((float(x), float(y), float(z)),)
        if math.dist(stood[0], self._centre(best)) > MOVED * was.radius_mm + self.slack:
            return Found(None, f"what is read there now has {ratio:.2g} times the volume, and another centre")
        return Found(best)

    def _most(self, votes: Counter[int], first: Vector) -> int | None:
        if not votes:
            return None
        top = max(votes.values())
        return min((p for p, n in votes.items() if n == top), key=lambda p: (self._off(p, first), self._centre(p)))

    def _centre(self, part: int) -> Vector:
        return self.parts[part].centroid_mm_xyz if part in self.parts else self.teeth[part].centroid_mm_xyz

    def _off(self, part: int, point: Vector) -> float:
        return math.dist(self._centre(part), point)

    def _near(self, points: Sequence[Vector], was: Structure) -> int | None:
        middle = np.mean(np.asarray(points), axis=0)
        place = (float(middle[0]), float(middle[1]), float(middle[2]))
        near = [
            (self._off(part, place), self._centre(part), part) for part, t in self.teeth.items() if t.jaw == was.jaw
        ]
        if not near:
            return None
        off, _, part = min(near)
        return part if off <= NEAR * was.radius_mm + self.slack else None
