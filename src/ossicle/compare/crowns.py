"""Crowns laid over one another: how far apart they lie, and how molar-like a premolar is, in numbers.

A crown is stood in a frame of its own: occlusal away from its roots, mesial along its row towards the midline, the
third axis towards the cheek (mirrored for one side, so that left and right crowns compare). Its occlusal relief is then
taken on a grid over its own length and width, heights over its own height, so that size and proportions are left out of
it and stand beside it. Between a successor (0) and a molar (1) the relief of a deciduous premolar lies somewhere
along the straight line that joins them, and somewhat off it: both are told. The measure is this program's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import griddata
from scipy.spatial import cKDTree

from ossicle.account.words import arc_order
from ossicle.errors import OssicleError
from ossicle.reading.records import ToothRecord

from .registration import Placement, closest_points
from .specimens import Compared
from .surfaces import Apart, Surface, apart, surface_of

__all__ = ["Crown", "CrownsApart", "Molarity", "crown_of", "crowns_apart", "molarity"]

FloatArray = npt.NDArray[np.float64]
GRID = 41
INNER = 0.92
"""Share of length and width over which the relief is compared: at the very edge a crown's side is seen, not its relief.
"""


@dataclass(frozen=True)
class Crown:
    """A crown in its own frame: x mesial, y towards the cheek, z occlusal; mm, the centre of its box at 0, top at z 0.

    ``relief`` (41, 41) are heights over the crown's own, NaN beyond its outline; rows run along y, columns along x.
    """

    specimen: str
    name: str
    surface: Surface
    length_mm: float
    width_mm: float
    height_mm: float
    relief: FloatArray


@dataclass(frozen=True)
class CrownsApart:
    """Two crowns laid on each other with their sizes made alike: where the first came to lie, by what factor it was
    enlarged, distances in mm of the second, and their root mean square as a share of the second's length.
    """

    placement: Placement
    apart: Apart
    share: float


@dataclass(frozen=True)
class Molarity:
    """How molar-like a crown is.

    ``along`` is where it lies between successor (0) and molar (1), by relief; ``off`` how far from the line that joins
    them, as a share of its length. ``to_molar`` and ``to_successor`` are root mean square distances of relief, in
    shares of crown height; ``shapes`` the lengths over widths of crown, molar and successor. ``note`` is a caution.
    """

    crown: str
    molar: str
    successor: str | None
    along: float | None
    off: float | None
    to_molar: float
    to_successor: float | None
    shapes: tuple[float, float, float | None]
    note: str = ""


def crown_of(s: Compared, tooth: ToothRecord) -> Crown:
    """Return a tooth's crown in its own frame.

    Raises
    ------
    OssicleError
        Labels or enamel are not at hand, or the tooth stands alone in its row, so that no mesial way is known.
    """
    whole = surface_of(s, [tooth.part])
    cap = surface_of(s, [tooth.part], crown=True)
    centre = cap.vertices.mean(axis=0)
    up = centre - whole.vertices.mean(axis=0)
    vertical = np.array([0.0, -1.0 if tooth.jaw == "upper" else 1.0, 0.0])
    if np.linalg.norm(up) < 0.08 * np.ptp(whole.vertices, axis=0).max():
        up = vertical  # hardly any root: the jaw's own vertical serves
    up = up / np.linalg.norm(up)
    mesial = _mesial(s, tooth, centre)
    mesial -= (mesial @ up) * up
    if np.linalg.norm(mesial) < 1e-6:
        raise OssicleError(f"the way that {tooth.name} faces cannot be told", where=s.name)
    mesial = _along_crown(cap.vertices - centre, mesial / np.linalg.norm(mesial), up)
    outward = np.cross(up, mesial)
    cheek = 1.0 if tooth.side == "left" else -1.0
    if outward[0] * cheek < 0:
        outward = -outward
    frame = np.eye(4)
    frame[:3, :3] = np.array([mesial, outward, up])
    frame[:3, 3] = -frame[:3, :3] @ centre
    laid = cap.moved(frame)
    low, high = laid.vertices.min(axis=0), laid.vertices.max(axis=0)
    shift = np.eye(4)
    shift[:3, 3] = [-(low[0] + high[0]) / 2, -(low[1] + high[1]) / 2, -high[2]]
    laid = laid.moved(shift)
    length, width, height = (float(v) for v in high - low)
    name = f"{tooth.side} {tooth.jaw} {tooth.name}"
    return Crown(s.name, name, laid, length, width, height, _relief(laid, length, width, height))


def _mesial(s: Compared, tooth: ToothRecord, centre: FloatArray) -> FloatArray:
    """Along the row towards the midline: from the neighbours in the row, of any generation that stand as high."""
    row = sorted(
        (t for t in s.account.teeth if (t.jaw, t.side) == (tooth.jaw, tooth.side) and t.part != tooth.part),
        key=arc_order,
    )
    own = arc_order(tooth)[:2]
    front = [s.skull(t.centroid_mm_xyz) for t in row if arc_order(t)[:2] < own]
    back = [s.skull(t.centroid_mm_xyz) for t in row if arc_order(t)[:2] > own]
    if not front and not back:
        raise OssicleError(f"{tooth.name} stands alone in its row, so its mesial side is not known", where=s.name)
    near = [min(side, key=lambda p: float(np.linalg.norm(p - centre))) if side else centre for side in (front, back)]
    way: FloatArray = near[0] - near[1]
    way[1] = 0.0  # rows run level; neighbours in crypts lie deeper
    return way


def _along_crown(points: FloatArray, mesial: FloatArray, up: FloatArray) -> FloatArray:
    """Turn the mesial way by up to 20 degrees to the crown's own long axis, where it has a clear one."""
    across = np.cross(up, mesial)
    flat = np.stack([points @ mesial, points @ across], axis=1)
    spread, ways = np.linalg.eigh(np.cov(flat.T))
    if spread[1] < 1.5 * spread[0]:
        return mesial
    angle = float(np.arctan2(*(ways[:, 1] * np.sign(ways[0, 1]))[::-1]))
    if abs(angle) > np.deg2rad(20):
        return mesial
    out: FloatArray = np.cos(angle) * mesial + np.sin(angle) * across
    return out


def _relief(surface: Surface, length: float, width: float, height: float) -> FloatArray:
    """Greatest height over each place of the grid, interpolated between vertices that face up."""
    v, n = surface.vertices, surface.normals
    top = v[n[:, 2] > 0.05]
    ticks = np.linspace(-INNER, INNER, GRID) / 2
    x, y = np.meshgrid(ticks * length, ticks * width)
    if len(top) < 10:
        return np.full(x.shape, np.nan)
    cell = max(length, width) / 60
    keys = np.round(top[:, :2] / cell).astype(int)
    order = np.argsort(-top[:, 2], kind="stable")
    _, first = np.unique(keys[order], axis=0, return_index=True)
    highest = top[order[first]]
    z = griddata(highest[:, :2], highest[:, 2], (x, y), method="linear")
    gap, _ = cKDTree(highest[:, :2]).query(np.stack([x.ravel(), y.ravel()], axis=1))
    z[gap.reshape(x.shape) > 0.12 * max(length, width)] = np.nan
    out: FloatArray = z / height
    return out


def crowns_apart(first: Crown, second: Crown) -> CrownsApart:
    """Lay the first crown on the second, enlarged to fit, and measure what stays apart."""
    found = closest_points(first.surface, second.surface, scale=True, most_turn_deg=45.0)
    distances = apart(first.surface.moved(found.matrix), second.surface)
    return CrownsApart(found, distances, distances.both_ways_rms / second.length_mm)


def molarity(crown: Crown, molar: Crown, successor: Crown | None = None) -> Molarity:
    """Tell how molar-like a crown is: against a molar, and along the way to it from its successor.

    Places where any of the crowns has no relief are left out; at least a third of the grid must remain.

    Raises
    ------
    OssicleError
        Too little of the reliefs can be compared.
    """
    some = [c.relief for c in (crown, molar, successor) if c is not None]
    use = np.isfinite(np.stack(some)).all(axis=0)
    if use.mean() < 1 / 3:
        raise OssicleError(
            f"the reliefs of {crown.name} and {molar.name} share too little to be compared",
            mend="choose crowns that are whole",
        )
    # what all heights share is the outline's doing; the form of the relief is what is left
    a, m = (c.relief[use] - c.relief[use].mean() for c in (crown, molar))
    to_molar = float(np.sqrt(((a - m) ** 2).mean()))
    along = off = to_successor = None
    if successor is not None:
        p = successor.relief[use] - successor.relief[use].mean()
        to_successor = float(np.sqrt(((a - p) ** 2).mean()))
        way = m - p
        size = float(way @ way)
        if size > 1e-9:
            along = float((a - p) @ way / size)
            off = float(np.linalg.norm(a - p - along * way) / np.sqrt(size))
    shapes = (
        crown.length_mm / crown.width_mm,
        molar.length_mm / molar.width_mm,
        None if successor is None else successor.length_mm / successor.width_mm,
    )
    names = (crown.name, molar.name, None if successor is None else successor.name)
    short = [c.name for c in (molar, successor) if c is not None and c.length_mm < 0.7 * crown.length_mm]
    note = f"{' and '.join(short)} may still be forming: shorter than {crown.name} by more than 30 %" if short else ""
    return Molarity(*names, along, off, to_molar, to_successor, shapes, note)
