"""From one scan of a specimen to another: the way between them, found from the teeth that both show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from ossicle.reading.records import Reading, ToothRecord

__all__ = ["Way", "rigid", "way_between"]

FloatArray = npt.NDArray[np.float64]

LEAST_MATCHED = 5
"""Teeth of one jaw that must be matched to lay that jaw by itself. Convention of this program."""
REACH = 1.5
"""How far off a tooth may lie at first to be taken for the same, in radii of a ball of the median tooth's volume."""
CLOSE = 0.5
"""The same in the last round; the median match must lie as near as half of that, else the poses alone are used."""
ROUNDS = 8


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

    It starts from the two poses. Then teeth of the same jaw that lie nearest to each other are matched and the fit is
    made anew, the reach closing in; names and label numbers do not matter (iterative closest points: Besl & McKay 1992,
    IEEE Trans. PAMI 14: 239-256). Where too few match, the poses alone are used.

    Returns
    -------
    Way or None
        None where a pose is not known.
    """
    if not (old.pose.found and new.pose.found):
        return None
    start = np.linalg.inv(np.asarray(new.pose.scan_to_skull, float)) @ np.asarray(old.pose.scan_to_skull, float)
    posed = Way(start, start, False)
    if not old.teeth or not new.teeth:
        return posed
    radius = float((3 * np.median([t.volume_mm3 for t in new.teeth]) / (4 * np.pi)) ** (1 / 3))
    both = _fitted(old.teeth, new.teeth, start, radius)
    if both is None:
        return posed
    jaws = {}
    for jaw in ("upper", "lower"):
        ours, theirs = ([t for t in teeth if t.jaw == jaw] for teeth in (old.teeth, new.teeth))
        found = _fitted(ours, theirs, both, radius)
        jaws[jaw] = both if found is None else found
    return Way(jaws["upper"], jaws["lower"], True)


def _fitted(
    old: Sequence[ToothRecord], new: Sequence[ToothRecord], start: FloatArray, radius: float
) -> FloatArray | None:
    """Return the transform that lays teeth onto teeth, or None where too few are matched, or badly."""
    if len(old) < LEAST_MATCHED or len(new) < LEAST_MATCHED:
        return None
    a, b = (np.array([t.centroid_mm_xyz for t in teeth], float) for teeth in (old, new))
    # Jaws are set far apart, so that a tooth is never matched with one of the other jaw.
    apart = 1e6
    jaw_a, jaw_b = (np.array([[apart * (t.jaw == "lower")] for t in teeth]) for teeth in (old, new))
    mirrored = bool(np.linalg.det(start[:3, :3]) < 0)
    out = start
    for reach in np.linspace(REACH, CLOSE, ROUNDS) * radius:
        moved = a @ out[:3, :3].T + out[:3, 3]
        there, back = np.hstack([moved, jaw_a]), np.hstack([b, jaw_b])
        off, nearest = cKDTree(back).query(there)
        mutual = cKDTree(there).query(back)[1][nearest] == np.arange(len(a))
        kept = mutual & (off <= reach)
        if kept.sum() < LEAST_MATCHED:
            return None
        out = rigid(a[kept], b[nearest[kept]], mirrored=mirrored)
    rest = np.linalg.norm(a[kept] @ out[:3, :3].T + out[:3, 3] - b[nearest[kept]], axis=1)
    return out if np.median(rest) <= CLOSE * radius / 2 else None
