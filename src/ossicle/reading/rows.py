"""Tooth rows: which objects belong to them, which jaw and side each stands in, and the curve of each quadrant.

All in skull coordinates (x left, y dorsal, z rostral, mm). The two sides are taken together, mirrored, wherever both
exist: a row model is a smooth curve in (|x|, y, z).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial.distance import cdist

from .records import Jaw, Side

CLEAR = 0.2
"""How far (0 to 1) a crown must look up or down, away from the bone around it, to settle its jaw by itself."""

__all__ = ["JawSplit", "RowCurve", "fit_rows", "row_members", "split_jaws", "to_curve"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class JawSplit:
    """``upper`` says which objects stand in the upper jaw.

    ``boundary`` gives the occlusal level y = a + b z + c z^2 (mm).

    ``sure`` runs from 0 to 1; ``present`` names the jaws found.
    """

    upper: BoolArray
    boundary: tuple[float, float, float]
    present: tuple[Jaw, ...]
    sure: float


@dataclass(frozen=True)
class RowCurve:
    """A quadrant's row: points (n, 3) in skull mm from the midline backwards, and the arc length at each."""

    points: FloatArray
    arc: FloatArray


def row_members(place: FloatArray, worth: FloatArray, size: float) -> BoolArray:
    """Return which objects belong to the tooth rows.

    Objects nearer than 0.13 of the skull's ``size`` in (|x|, y, z) hang together; the most worthy group is the rows,
    and groups further forward belong to them too (incisors before a diastema). What lies apart and behind (petrosals)
    does not.
    """
    if len(place) == 0:
        return np.zeros(0, bool)
    folded = np.column_stack([np.abs(place[:, 0]), place[:, 1], place[:, 2]])
    near = cdist(folded, folded) < 0.13 * size
    count, group = connected_components(csr_matrix(near), directed=False)
    total = np.bincount(group, worth, minlength=count)
    main = int(np.argmax(total))
    keep: BoolArray = group == main
    centre = np.average(folded[keep], axis=0, weights=worth[keep])
    for other in range(count):
        members = group == other
        middle = folded[members].mean(axis=0)
        if other != main and middle[2] > centre[2] and abs(middle[1] - centre[1]) < 0.3 * size:
            keep |= members
    return keep


def split_jaws(place: FloatArray, worth: FloatArray, away: FloatArray, *, both: bool = False) -> JawSplit:
    """Part upper from lower teeth by where each looks away from bone, and by height over a tilted, curved occlusal
    level.

    ``away`` are vectors (n, 3) pointing out of the bone; an upper crown's points down. Those that look clearly up or
    down fix the level y = a + b z + c z^2 midway between the two rows (which may gape: their distance may grow along
    z); the level then tells the others. Where nearly all look one way, only one jaw is there, unless ``both`` are known
    to be.
    """
    look = away[:, 1]
    clear = np.abs(look) > CLEAR
    weight = np.sqrt(worth / worth.max())
    up_votes = float((weight * clear * (look > 0)).sum())
    down_votes = float((weight * clear * (look < 0)).sum())
    votes = up_votes + down_votes
    if not both and (votes == 0 or min(up_votes, down_votes) < 0.08 * votes):
        upper_only = down_votes >= up_votes
        level = float(place[:, 1].min() - 1.0) if upper_only else float(place[:, 1].max() + 1.0)
        sure = 0.3 if votes == 0 else float(max(up_votes, down_votes) / votes)
        return JawSplit(np.full(len(place), upper_only), (level, 0.0, 0.0), ("upper" if upper_only else "lower",), sure)
    y, z = place[:, 1], place[:, 2] - float(np.mean(place[:, 2]))
    upper = look < 0
    if upper.all() or not upper.any():  # both jaws are there, but no look tells them apart
        look = np.zeros_like(look)
        upper = y - np.polyval(np.polyfit(z, y, 1), z) > 0
    trust = weight * np.where(clear, 1.0, 0.02)
    middle = np.zeros(3)
    for turn in range(8):
        sign = np.where(upper, 1.0, -1.0)
        design = np.column_stack([np.ones_like(z), z, z**2, sign, sign * z])
        penalty = np.diag([0, 1e-3, 0.05 * max(float(np.var(z)), 1e-9), 0, 1e-2]) * trust.sum()
        solution = np.linalg.solve((design * trust[:, None]).T @ design + penalty, design.T @ (trust * y))
        middle = solution[:3]
        if solution[3] < 0 and turn > 0:
            # What looks down would lie below what looks up: upper teeth stand over lower ones, so looks mislead here
            # (crowns all in their crypts) and height alone must tell. The first turn rests on few looks and does not
            # settle that.
            look, solution[3], solution[4] = np.zeros_like(look), -solution[3], -solution[4]
        half = np.maximum(solution[3] + solution[4] * z, 0.25 * abs(float(solution[3])) + 1e-6)
        height = (y - (middle[0] + middle[1] * z + middle[2] * z**2)) / half
        again = np.clip(height, -3, 3) - 5.0 * look > 0
        trust = weight * np.where(clear, 1.0, 0.3)
        if bool((again == upper).all()):
            break
        upper = again
    contradiction = float((weight * clear * (upper == (look > 0))).sum() / max(votes, 1e-9))
    m = float(np.mean(place[:, 2]))
    a, b, c = (float(v) for v in middle)
    boundary = (a - b * m + c * m * m, b - 2 * c * m, c)
    return JawSplit(upper, boundary, ("upper", "lower"), float(np.clip(1 - 2 * contradiction, 0, 1)))


def fit_rows(
    place: FloatArray, worth: FloatArray, upper: BoolArray, *, rounds: int = 4
) -> dict[tuple[Jaw, Side], RowCurve]:
    """Fit the row curve of each quadrant that has objects; the two sides share one mirrored curve.

    Objects are ordered by the angle about a point on the midline behind the row, which grows steadily along any arch,
    and each coordinate is a weighted cubic of that angle, refitted with less weight on what lies far off (crypts,
    false objects).
    """
    rows: dict[tuple[Jaw, Side], RowCurve] = {}
    jaws: tuple[tuple[Jaw, bool], ...] = (("upper", True), ("lower", False))
    for jaw, is_upper in jaws:
        members = upper == is_upper
        if members.sum() < 2:
            continue
        curve = _arch(place[members], worth[members], rounds)
        for side, sign in (("left", 1.0), ("right", -1.0)):
            if bool((place[members, 0] * sign > 0).any()):
                points = curve * np.array([sign, 1.0, 1.0])
                step = np.linalg.norm(np.diff(points, axis=0), axis=1)
                rows[(jaw, "left" if side == "left" else "right")] = RowCurve(
                    points, np.concatenate([[0.0], np.cumsum(step)])
                )
    return rows


def _arch(place: FloatArray, worth: FloatArray, rounds: int) -> FloatArray:
    folded = np.column_stack([np.abs(place[:, 0]), place[:, 1], place[:, 2]])
    length = float(np.ptp(folded[:, 2])) + float(folded[:, 0].max())
    pivot = float(folded[:, 2].min()) - 0.35 * length
    angle = np.arctan2(folded[:, 0], folded[:, 2] - pivot)
    span = max(float(angle.max()), 1e-3)
    t = angle / span
    radius = np.hypot(folded[:, 0], folded[:, 2] - pivot)
    degree = 3 if len(folded) >= 8 else (2 if len(folded) >= 5 else 1)
    weight = worth.copy()
    fits: list[FloatArray] = []
    for _ in range(rounds):
        fits = [_ridge(t, column, weight, degree) for column in (radius, folded[:, 1])]
        residual = np.hypot(radius - np.polyval(fits[0], t), 0.7 * (folded[:, 1] - np.polyval(fits[1], t)))
        scale = 1.5 * float(np.median(residual)) + 1e-6
        weight = worth / (1 + (residual / scale) ** 2)
    steps = np.linspace(0, 1.06, 160)
    r = np.maximum(np.polyval(fits[0], steps), 1e-3)
    return np.column_stack([r * np.sin(steps * span), np.polyval(fits[1], steps), pivot + r * np.cos(steps * span)])


def _ridge(t: FloatArray, value: FloatArray, weight: FloatArray, degree: int) -> FloatArray:
    design = np.vander(t, degree + 1)
    centre = float(np.average(value, weights=weight))
    penalty = np.diag([1e-3] * degree + [0.0]) * weight.sum()
    left = design.T @ (design * weight[:, None]) + penalty
    coefficients: FloatArray = np.linalg.solve(left, design.T @ (weight * (value - centre)))
    coefficients[-1] += centre
    return coefficients


def to_curve(place: FloatArray, row: RowCurve) -> tuple[FloatArray, FloatArray]:
    """Return arc position (n,) mm and distance (n,) mm of points to a row, in the horizontal plane (x, z)."""
    flat = row.points[:, [0, 2]]
    distance = cdist(place[:, [0, 2]], flat)
    nearest = distance.argmin(axis=1)
    return row.arc[nearest], distance[np.arange(len(place)), nearest]
