"""Where things lie in the scanner: the jaw on the cranium or beside it, the skull on the grid."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .canvas import Canvas
from .crowns import extent

if TYPE_CHECKING:
    from .build import Animal, Options

Matrix = NDArray[np.float64]
PARTS = ("whole", "cranium", "dentaries", "left_dentary", "detached")


def rotation(q: Matrix) -> Matrix:
    """3x3 rotation of a quaternion (w, x, y, z)."""
    w, x, y, z = q / np.linalg.norm(q)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


def about(rot: Matrix, centre: Matrix, shift: Matrix) -> Matrix:
    """4x4 that takes a moved thing back: the inverse of turning by ``rot`` about ``centre`` and shifting."""
    m = np.eye(4)
    m[:3, :3] = rot.T
    m[:3, 3] = centre - rot.T @ (centre + shift)
    return m


def jaw_moves(joint: Matrix, length: float, part: str, rng: np.random.Generator) -> dict[str, Matrix]:
    """By side, 4x4 from skull mm to the frame in which the dentary was made.

    The jaw may gape by up to five degrees; detached dentaries lie beside the cranium, turned.
    """
    gape = float(rng.choice([0.0, rng.uniform(0, 0.08)]))
    if part != "detached":
        # a positive turn about +x takes rostral (+z) points ventrally (-y)
        rot = rotation(np.array([np.cos(gape / 2), np.sin(gape / 2), 0, 0]))
        hinge = np.array([0.0, joint[1], joint[2]])
        return {side: about(rot, hinge, np.zeros(3)) for side in ("left", "right")}
    out = {}
    for side, sign in (("left", 1.0), ("right", -1.0)):
        centre = np.array([sign * joint[0], joint[1], joint[2] + 0.3 * length])
        tilt = rotation(np.concatenate([[1.0], rng.uniform(-0.35, 0.35, 3)]))
        shift = np.array([sign * length * rng.uniform(0.36, 0.42), rng.uniform(-0.1, 0.15) * length, 0.0])
        out[side] = about(tilt, centre, shift)
    return out


def has(o: Options, jaw: str, side: str) -> bool:
    """Whether the teeth and bone of a jaw and side are in the scan."""
    if o.part == "cranium":
        return jaw == "upper"
    if o.part == "dentaries":
        return jaw == "lower"
    if o.part == "left_dentary":
        return jaw == "lower" and side == "left"
    return True


def outline_points(a: Animal, o: Options | None = None) -> Matrix:
    """Points that span what is scanned (n, 3), skull mm."""
    points: list[Matrix] = []
    if o is None or has(o, "upper", "left"):
        points.append(_cranium_points(a))
    for side, sign in (("left", 1.0), ("right", -1.0)):
        if o is None or has(o, "lower", side):
            inv = np.linalg.inv(a.moves[side])
            points.append(_dentary_points(a, side, sign) @ inv[:3, :3].T + inv[:3, 3])
    return np.vstack(points)


def _tips(a: Animal, jaw: str, side: str | None) -> Matrix:
    own = [p for p in a.teeth if p.tooth.jaw == jaw and side in (None, p.side)]
    return np.array([p.origin + p.axes[2] * extent(p.form)[3] for p in own]).reshape(-1, 3)


def _cranium_points(a: Animal) -> Matrix:
    c = a.cranium
    points = []
    for z in np.linspace(c.back, c.front, 20):
        w, t, b = (float(f(z)) for f in (c.width, c.top, c.bottom))
        for x, y in ((w, (t + b) / 2), (0.6 * w, t), (0.6 * w, b)):
            points += [[x, y, z], [-x, y, z]]
    arch = c.zygoma.points + np.array([0.4, 0, 0])
    return np.vstack([np.array(points), arch, arch * [-1, 1, 1], _tips(a, "upper", None)])


def _dentary_points(a: Animal, side: str, sign: float) -> Matrix:
    r = a.lower
    keep = [k for k in range(0, len(r.arc), 6) if r.arc[k] <= r.end]
    points = [[sign * (r.points[k, 0] + r.half[k]), r.level - r.depth[k], r.points[k, 1]] for k in keep]
    points += [[sign * (r.points[k, 0] - r.half[k]), r.level, r.points[k, 1]] for k in keep]
    d = a.dentary
    for i, j in np.argwhere(d.ramus > 0.5)[::7]:
        points.append([sign * (d.condyle[0] + 0.5), d.origin[1] + j * d.step, d.origin[0] + i * d.step])
    return np.vstack([np.array(points), _tips(a, "lower", side)])


def grid(a: Animal, o: Options) -> Canvas:
    """Pose and grid that hold what is scanned with a margin, or cut through it where a crop is asked for."""
    key = sum(ord(ch) for ch in o.tilt + o.animal)
    rng = np.random.default_rng([o.seed, key, 77])
    if o.tilt == "any":
        q = rng.standard_normal(4)
    else:
        q = np.concatenate([[1.0], rng.uniform(-1, 1, 3) * np.sin(np.deg2rad(4.0))])
    rot = rotation(q)
    points = outline_points(a, o)
    if o.crop == "front":
        points = points[points[:, 2] < points[:, 2].max() - 0.12 * a.length]
    elif o.crop == "back":
        points = points[points[:, 2] > points[:, 2].min() + 0.45 * a.length]
    elif o.crop == "side":
        points = points[points[:, 0] < 0.4 * points[:, 0].max()]
    points = points @ rot.T
    margin = rng.uniform(0.7, 1.6, (2, 3)) * (1.0 if o.crop == "none" else 0.3)
    lo, hi = points.min(0) - margin[0], points.max(0) + margin[1]
    shape = np.ceil((hi - lo) / o.voxel).astype(int)[::-1]
    m = np.eye(4)
    m[:3, :3] = rot.T
    m[:3, 3] = rot.T @ lo
    return Canvas((int(shape[0]), int(shape[1]), int(shape[2])), o.voxel, m)
