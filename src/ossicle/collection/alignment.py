"""From one scan of a specimen to another: the way between them, found from the teeth that both show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ossicle.reading.records import Reading

__all__ = ["Way", "rigid", "way_between"]

FloatArray = npt.NDArray[np.float64]

LEAST_MATCHED = 5
"""Teeth that must be matched to lay a jaw by itself. Convention of this program."""
LEAST_SHARE = 0.5
"""Share of the teeth (of the scan that shows fewer) that must be matched to trust the fit of both jaws together."""
REACH = 2.0
"""How far off a tooth may lie at first to be taken for the same, in radii of a ball of the median tooth's volume."""
CLOSE = 0.5
"""The same in the last round; the median match must lie as near as half of that."""
ROUNDS = 10
TURNS = tuple(np.diag(d) for d in ((1.0, 1, 1), (-1.0, -1, 1), (-1.0, 1, -1), (1.0, -1, -1)))
"""What a pose may be wrong by: upside down, back to front, or both (skull axes)."""


@dataclass(frozen=True)
class Way:
    """Rigid transforms (4x4) of one scan's mm into another's, by jaw: a lower jaw may stand otherwise to the skull.

    ``by_teeth`` says whether teeth were matched; if not, only the two poses lead from one to the other.
    """

    upper: FloatArray
    lower: FloatArray
    by_teeth: bool

    def of(self, jaw: str | None) -> FloatArray:
        """Return the transform of what belongs to a jaw; what belongs to none goes with the skull."""
        return self.lower if jaw == "lower" else self.upper


def rigid(first: FloatArray, second: FloatArray, *, mirrored: bool = False) -> FloatArray:
    """Return the rigid transform (4x4) that lays points ``first`` (n, 3) onto ``second`` best by least squares.

    ``mirrored`` asks for one that swaps left and right. Source: Kabsch 1976, Acta Cryst. A32: 922-923.
    """
    a, b = first.mean(axis=0), second.mean(axis=0)
    u, _, v = np.linalg.svd((first - a).T @ (second - b))
    sign = np.sign(np.linalg.det(u) * np.linalg.det(v)) * (-1 if mirrored else 1)
    turn = v.T @ np.diag([1.0, 1.0, sign]) @ u.T
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = turn, b - turn @ a
    return out


def way_between(old: Reading, new: Reading) -> Way | None:
    """Return the way from the scan of one reading to that of another, of the same specimen.

    Teeth that lie nearest to each other are matched and the fit is made anew, the reach closing in (iterative closest
    points: Besl & McKay 1992, IEEE Trans. PAMI 14: 239-256). Names, jaws and label numbers do not matter, as any of
    them may be read otherwise. It starts from the two poses, also with one of them upside down or back to front, and
    from the scans lying alike; what matches most teeth is taken. Where too few match, the poses alone are used.

    Returns
    -------
    Way or None
        None where a pose is not known.
    """
    if not (old.pose.found and new.pose.found):
        return None
    p, q = (np.asarray(r.pose.scan_to_skull, float) for r in (old, new))
    posed = Way(np.linalg.inv(q) @ p, np.linalg.inv(q) @ p, False)
    if min(len(old.teeth), len(new.teeth)) < LEAST_MATCHED:
        return posed
    a, b = (np.array([t.centroid_mm_xyz for t in r.teeth], float) for r in (old, new))
    radius = float((3 * np.median([t.volume_mm3 for t in new.teeth]) / (4 * np.pi)) ** (1 / 3))
    fits = [f for start in _starts(a, b, p, q) if (f := _fitted(a, b, start, radius)) is not None]
    if not fits:
        return posed
    best, matched, _ = max(fits, key=lambda f: (f[1], -f[2]))
    if matched < LEAST_SHARE * min(len(a), len(b)):
        return posed
    jaws = {}
    for jaw in ("upper", "lower"):
        found = _fitted(a[[t.jaw == jaw for t in old.teeth]], b, best, radius)
        jaws[jaw] = best if found is None else found[0]
    return Way(jaws["upper"], jaws["lower"], True)


def _starts(a: FloatArray, b: FloatArray, p: FloatArray, q: FloatArray) -> list[FloatArray]:
    """Return transforms to start from: by the poses, and by their turn alone with the teeth's middles laid together."""
    out = []
    for turn in TURNS:
        flip = np.eye(4)
        flip[:3, :3] = turn
        out.append(np.linalg.inv(q) @ flip @ p)
    alike = np.eye(4)
    if np.linalg.det(p[:3, :3]) * np.linalg.det(q[:3, :3]) > 0:
        out.append(alike)
    for start in list(out):
        moved = start.copy()
        moved[:3, 3] = np.median(b, axis=0) - start[:3, :3] @ np.median(a, axis=0)
        out.append(moved)
    return out


def _fitted(a: FloatArray, b: FloatArray, start: FloatArray, radius: float) -> tuple[FloatArray, int, float] | None:
    """Return the transform that lays centres onto centres, how many match, and how far off they lie in the median.

    None where too few are matched, or badly.
    """
    if len(a) < LEAST_MATCHED:
        return None
    from scipy.spatial import cKDTree

    mirrored = bool(np.linalg.det(start[:3, :3]) < 0)
    targets, out = cKDTree(b), start
    for reach in np.linspace(REACH, CLOSE, ROUNDS) * radius:
        moved = a @ out[:3, :3].T + out[:3, 3]
        off, nearest = targets.query(moved)
        mutual = cKDTree(moved).query(b)[1][nearest] == np.arange(len(a))
        kept = mutual & (off <= reach)
        if kept.sum() < LEAST_MATCHED:
            return None
        out = rigid(a[kept], b[nearest[kept]], mirrored=mirrored)
    rest = np.linalg.norm(a[kept] @ out[:3, :3].T + out[:3, 3] - b[nearest[kept]], axis=1)
    middle = float(np.median(rest))
    return (out, int(kept.sum()), middle) if middle <= CLOSE * radius / 2 else None
