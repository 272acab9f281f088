"""Linear measures of cranium and tooth rows by the handbooks' extremal rules (`ossicle.anatomy` holds their texts).

Lengths run along the skull's long axis and breadths across it, between points of the surface finer than voxels. What
would end on the edge of the scan is left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from ossicle.anatomy.measurements import load_measurements

from ..records import Side
from .braincase import Cavity
from .loci import StandingTooth
from .records import JawHalf, Measured, Opening, Palate, Value
from .space import Space
from .surface import extent, tip

__all__ = ["Ruler", "cranial_lengths", "jaw_lengths", "marks_of", "row_lengths"]

FloatArray = npt.NDArray[np.float64]
CONDYLES = "hindmost of the occipital condyles"
SIDES: tuple[Side, Side] = ("left", "right")


def marks_of(definition: str, side: Side | None) -> tuple[str, str]:
    """The landmarks at the ends of a measure, the side told where each side has its own."""
    known = load_measurements()[definition]
    tail = f" {side}" if side is not None and known.sides == "paired" else ""
    a, b = known.marks
    return f"{a}{tail}", f"{b}{tail}"


@dataclass(frozen=True)
class Ruler:
    """Makes measures: the space, and by how much (degrees, standard deviation) the pose may be off."""

    space: Space
    tilt_deg: float

    def between(
        self, name: str, definition: str, a: FloatArray, b: FloatArray, axis: int, side: Side | None = None
    ) -> Measured | None:
        """The distance of two points along an axis; None where either lies on the edge of the scan or it is not
        positive."""
        return self.along(name, definition, a, b, np.eye(3)[axis], side)

    def along(
        self, name: str, definition: str, a: FloatArray, b: FloatArray, way: FloatArray | None, side: Side | None = None
    ) -> Measured | None:
        """The distance of two points along a direction (length 1), or as the crow flies where that is None.

        Its error is that of two ends placed to a voxel's uniform error, and of a pose that may be off: a measure along
        a direction changes by what its ends lie apart across it.
        """
        gap = a - b
        value = float(np.linalg.norm(gap)) if way is None else float(gap @ way)
        if value <= 0 or not self._within(np.array([a, b])):
            return None
        lean = 0.0
        if way is not None:
            tilt = np.deg2rad(self.tilt_deg)
            lean = value * (1 - np.cos(tilt)) + float(np.linalg.norm(gap - value * way)) * np.sin(tilt)
        error = float(np.hypot(0.29 * self.space.voxel * np.sqrt(2), lean))
        return Measured(name, definition, Value(value, error), (a, b), side, marks_of(definition, side), way)

    def _within(self, points: FloatArray) -> bool:
        index = self.space.indices(points)
        top = np.array(self.space.values.shape)[:, None] - 1
        return bool(((index > 1.0) & (index < top - 1.0)).all())


def cranial_lengths(
    ruler: Ruler,
    skin: FloatArray,
    cavity: Cavity | None,
    magnum: Opening | None,
    palate: Palate | None,
    teeth: Sequence[StandingTooth],
    placed: Mapping[str, FloatArray],
) -> tuple[list[Measured], dict[str, FloatArray]]:
    """Measure a cranium whose surface is ``skin`` (n, 3); returns the measures and the landmarks used, of which
    ``placed`` are taken as given."""
    found: list[Measured | None] = []
    marks: dict[str, FloatArray] = {}
    upper = [t for t in teeth if t.jaw == "upper"]
    first, last = tip(skin, 2, 1, ruler.space), tip(skin, 2, -1, ruler.space)
    if first is None or last is None:
        return [], {}
    long = first[2] - last[2]
    found.append(ruler.between("greatest length of skull", "greatest_length_of_skull", first, last, 2))
    front = placed.get("prosthion", _premaxilla(skin, upper, long, ruler.space) if upper else None)
    if front is not None:
        marks["prosthion"] = front
    basion, condyles = placed.get("basion"), placed.get(CONDYLES)
    if magnum is not None:
        basion = _basion(skin, magnum, ruler.space) if basion is None else basion
        condyles = _condyles(skin, magnum, ruler.space) if condyles is None else condyles
        marks["opisthion"] = magnum.rim[np.argmax(magnum.rim[:, 1])]
    if basion is not None:
        marks["basion"] = basion
    if condyles is not None:
        marks[CONDYLES] = condyles
    incisors = [t for t in upper if t.tooth_class == "incisor"]
    middle = [t for t in incisors if t.position == min(i.position for i in incisors)]
    if front is not None and condyles is not None:
        found.append(ruler.between("condylobasal length", "condylobasal_length", front, condyles, 2))
    if front is not None and basion is not None:
        found.append(ruler.between("basal length", "basal_length", front, basion, 2))
    if middle:
        socket = max((t.neck_high for t in middle), key=lambda p: p[2])
        behind = min((t.neck_low for t in middle), key=lambda p: p[2])
        hindmost = min((t.neck_low for t in incisors), key=lambda p: p[2])
        if condyles is not None:
            found.append(
                ruler.between(
                    "condylobasal length (alveolar form)", "condylobasal_length_alveolar_form", socket, condyles, 2
                )
            )
            found.append(ruler.between("condylobasilar length", "condylobasilar_length", hindmost, condyles, 2))
        if basion is not None:
            found.append(ruler.between("basilar length of Hensel", "basilar_length_of_hensel", behind, basion, 2))
        if palate is not None:
            end = np.array([0.0, hindmost[1], palate.hind_border_z])
            marks["hind border of the palate"] = end
            found.append(ruler.between("palatilar length", "palatilar_length", hindmost, end, 2))
    found.append(_zygomatic(ruler, skin))
    if cavity is not None:
        found.append(_braincase_breadth(ruler, skin, cavity))
        found.append(_interorbital(ruler, skin, cavity, upper, long))
    if palate is not None:
        for o in palate.openings:
            if o.term == "incisive foramen" and o.side != "midline":
                ends = (o.rim[np.argmax(o.rim[:, 2])], o.rim[np.argmin(o.rim[:, 2])])
                name, definition = f"incisive foramen length {o.side}", "incisive_foramen_length"
                sided: Side = "left" if o.side == "left" else "right"
                found.append(Measured(name, definition, o.length_mm, ends, sided, marks_of(definition, sided)))
    return [m for m in found if m is not None], marks


def _premaxilla(skin: FloatArray, upper: Sequence[StandingTooth], long: float, space: Space) -> FloatArray | None:
    """Foremost point of the bone that holds the foremost upper teeth, below the nasal opening."""
    foremost = sorted(upper, key=lambda t: -t.neck[2])[:2]
    level = float(np.mean([t.neck[1] for t in foremost]))
    near = skin[(skin[:, 1] < level + 0.045 * long) & (skin[:, 2] > foremost[0].neck[2] - 0.05 * long)]
    return tip(near, 2, 1, space)


def _basion(skin: FloatArray, magnum: Opening, space: Space) -> FloatArray | None:
    """Hindmost point of the lower lip of the foramen magnum, in the midplane."""
    low = float(magnum.rim[:, 1].min())
    high = float(np.ptp(magnum.rim[:, 1]))
    wide = 0.12 * magnum.width_mm.value
    lip = skin[
        (np.abs(skin[:, 0]) < wide)
        & (skin[:, 1] < low + 0.12 * high)
        & (skin[:, 1] > low - 0.35 * high)
        & (np.abs(skin[:, 2] - magnum.centre[2]) < high)
    ]
    return tip(lip, 2, -1, space)


def _condyles(skin: FloatArray, magnum: Opening, space: Space) -> FloatArray | None:
    """Hindmost point of the bone beside the lower half of the foramen magnum."""
    low, high = float(magnum.rim[:, 1].min()), float(np.ptp(magnum.rim[:, 1]))
    beside = np.abs(skin[:, 0]) < 1.6 * magnum.length_mm.value
    near = skin[beside & (np.abs(skin[:, 1] - low) < 0.7 * high)]
    return tip(near, 2, -1, space)


def _zygomatic(ruler: Ruler, skin: FloatArray) -> Measured | None:
    """Greatest breadth, where air parts its ends from the rest of the skull: across the arches, else nothing."""
    left, right = tip(skin, 0, 1, ruler.space), tip(skin, 0, -1, ruler.space)
    if left is None or right is None:
        return None
    for end in (left, right):
        path = np.linspace(end, end * [0.0, 1.0, 1.0], 200)
        solid = ruler.space.at(path) > 0.5
        step = abs(end[0]) / 200
        inside = int(np.argmax(solid)) if solid.any() else 0
        gap = np.flatnonzero(~solid[inside:])
        if not len(gap):
            return None
        first = inside + int(gap[0])
        again = np.flatnonzero(solid[first:])
        width = (int(again[0]) if len(again) else len(solid) - first) * step
        if width < 3 * ruler.space.voxel:
            return None
    return ruler.between("zygomatic breadth", "zygomatic_breadth", left, right, 0)


def _braincase_breadth(ruler: Ruler, skin: FloatArray, cavity: Cavity) -> Measured | None:
    """Greatest breadth of the outer surface that lies over the brain."""
    cells = cavity.block.point(np.argwhere(cavity.within))
    centre = cells.mean(0)
    near = skin[(skin[:, 2] > cells[:, 2].min()) & (skin[:, 2] < cells[:, 2].max())]
    if len(near) < 50:
        return None
    distance, nearest = cKDTree(cells[::2]).query(near)
    toward = near - cells[::2][nearest]
    outer = distance > 1.5 * cavity.block.step
    dorsal = outer & (near[:, 1] > centre[1] + 0.5 * cavity.depth_mm) & (np.abs(toward[:, 0]) < 0.5 * distance)
    if dorsal.sum() < 20:
        return None
    wall = float(np.median(distance[dorsal]))
    roof = near[outer & (distance < 1.6 * wall) & (near[:, 1] > centre[1])]
    left, right = tip(roof, 0, 1, ruler.space), tip(roof, 0, -1, ruler.space)
    if left is None or right is None:
        return None
    return ruler.between("breadth of braincase", "breadth_of_braincase", left, right, 0)


def _interorbital(
    ruler: Ruler, skin: FloatArray, cavity: Cavity, upper: Sequence[StandingTooth], long: float
) -> Measured | None:
    """Least breadth of the upper half of the skull, between the braincase's front and the cheek teeth's middle."""
    if not upper:
        return None
    start = float(cavity.block.point(np.argwhere(cavity.within))[:, 2].max())
    floor = float(np.median([t.neck[1] for t in upper]))
    best: tuple[float, FloatArray] | None = None
    for z in np.arange(start - 0.12 * long, start + 0.12 * long, 0.5 * ruler.space.voxel):
        slab = skin[np.abs(skin[:, 2] - z) < ruler.space.voxel]
        if len(slab) < 30:
            continue
        near = slab[np.abs(slab[:, 0]) < 0.05 * long]
        if len(near) < 6:
            continue
        top = float(near[:, 1].max())
        slab = slab[slab[:, 1] > top - 0.55 * (top - floor)]
        if len(slab) < 12:
            continue
        low, high = extent(slab[:, 0])
        if best is None or high - low < best[0]:
            best = (high - low, np.array([[high, top, z], [low, top, z]]))
    if best is None:
        return None
    return ruler.between("interorbital breadth", "interorbital_breadth", best[1][0], best[1][1], 0)


def jaw_lengths(jaws: Sequence[JawHalf]) -> list[Measured]:
    """Length and coronoid height of each dentary."""
    out = []
    for j in jaws:
        up = np.array([0.0, 1.0, 0.0]) if j.up is None else j.up
        if j.length_mm is not None and j.condyle is not None and j.front is not None:
            name, definition = f"mandible length {j.side}", "mandible_length"
            ends, front = (j.front, j.condyle), np.cross(np.array([1.0, 0.0, 0.0]), up)
            out.append(Measured(name, definition, j.length_mm, ends, j.side, marks_of(definition, j.side), front))
        if j.coronoid_height_mm is not None and j.coronoid is not None:
            name, definition = f"coronoid height {j.side}", "coronoid_height"
            ends = (j.coronoid, j.coronoid - up * j.coronoid_height_mm.value)
            out.append(Measured(name, definition, j.coronoid_height_mm, ends, j.side, marks_of(definition, j.side), up))
    return out


def row_lengths(ruler: Ruler, teeth: Sequence[StandingTooth]) -> list[Measured]:
    """Lengths of tooth rows, by side; of erupted teeth, those still erupting left out."""
    out: list[Measured | None] = []
    for side in SIDES:
        own = [t for t in teeth if t.side == side and t.erupted]
        upper, lower = [t for t in own if t.jaw == "upper"], [t for t in own if t.jaw == "lower"]
        molars = [t for t in upper if t.tooth_class == "molar"]
        cheek = [t for t in upper if t.tooth_class in ("premolar", "molar")]
        front = [t for t in upper if t.tooth_class in ("incisor", "canine")]
        incisors = [t for t in upper if t.tooth_class == "incisor"]
        canines = [t for t in upper if t.tooth_class == "canine"]
        if molars:
            a = max((t.neck_high for t in molars), key=lambda p: p[2])
            b = min((t.neck_low for t in molars), key=lambda p: p[2])
            name = f"alveolar length of upper molars {side}"
            out.append(ruler.between(name, "alveolar_length_of_upper_molars", a, b, 2, side))
        hind = min((t.crown_low for t in molars), key=lambda p: p[2], default=None)
        for name, definition, some in (
            (f"maxillary tooth row C-M {side}", "maxillary_tooth_row_c_m3", canines),
            (f"length of tooth row {side}", "length_of_tooth_row", incisors),
        ):
            if some and hind is not None:
                a = max((t.crown_high for t in some), key=lambda p: p[2])
                out.append(ruler.between(name, definition, a, hind, 2, side))
        if front and cheek:
            a = min((t.neck_low for t in front), key=lambda p: p[2])
            b = max((t.neck_high for t in cheek), key=lambda p: p[2])
            gap = ruler.between(f"diastema length {side}", "diastema_length", a, b, 2, side)
            out.append(gap if gap is not None and gap.value_mm.value > 0.25 * _usual_length(cheek) else None)
        cheek_low = [t for t in lower if t.tooth_class in ("premolar", "molar")]
        if len(cheek_low) > 1:
            a = max((t.crown_high for t in cheek_low), key=lambda p: p[2])
            b = min((t.crown_low for t in cheek_low), key=lambda p: p[2])
            out.append(ruler.between(f"lower tooth row length {side}", "lower_tooth_row_length", a, b, 2, side))
    return [m for m in out if m is not None]


def _usual_length(teeth: Sequence[StandingTooth]) -> float:
    return float(np.median([t.crown_high[2] - t.crown_low[2] for t in teeth]))
