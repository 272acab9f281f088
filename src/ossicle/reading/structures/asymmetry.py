"""Left against right, for every quantity that both sides have."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from ..records import ToothRecord
from .ear import paired_values
from .records import Asymmetry, Cusps, Ear, EnamelThickness, JawHalf, Measured, Opening

__all__ = ["asymmetries", "compare"]

Sided = Mapping[str, tuple[float, float, str]]


def compare(name: str, left: float, right: float, errors: tuple[float, float], unit: str) -> Asymmetry | None:
    """Left less right as a share of their mean (Palmer & Strobeck 1986, Annu. Rev. Ecol. Syst. 17:391, index 2; value
    from memory), with its standard error; None where the mean is not positive."""
    mean = (left + right) / 2
    if not np.isfinite([mean, *errors]).all() or mean <= 0:
        return None
    return Asymmetry(name, left, right, unit, (left - right) / mean, float(np.hypot(*errors)) / mean)


def asymmetries(
    openings: Sequence[Opening],
    jaws: Sequence[JawHalf],
    ears: Sequence[Ear],
    measured: Sequence[Measured],
    teeth: Sequence[ToothRecord],
    voxel: float,
    enamel: Mapping[int, EnamelThickness] | None = None,
    cusps: Mapping[int, Cusps] | None = None,
) -> tuple[Asymmetry, ...]:
    """Compare all that both sides have: openings, jaw, ear, lengths, and teeth of one name by length, width, height of
    the crown, volume, thickness of enamel and number of cusps."""
    sides: dict[str, dict[str, tuple[float, float, str]]] = {"left": {}, "right": {}}
    for o in openings:
        if o.side != "midline":
            sides[o.side].setdefault(f"{o.term} area", (o.area_mm2.value, o.area_mm2.error, "mm2"))
    for j in jaws:
        if j.angle is not None and j.angle.inflection_deg is not None:
            v = j.angle.inflection_deg
            sides[j.side]["inflection of the angular process"] = (v.value, v.error, "degree")
        sides[j.side]["number of mental foramina"] = (float(len(j.mental)), 0.5, "count")
    for ear in ears:
        sides[ear.side].update(paired_values(ear))
    for m in measured:
        if m.side is not None:
            sides[m.side][m.name.removesuffix(f" {m.side}")] = (m.value_mm.value, m.value_mm.error, "mm")
    for t in teeth:
        if t.completeness == "complete" and t.emergence == "erupted":
            name, fault = f"{t.jaw} {t.name}", 0.29 * voxel * float(np.sqrt(2))
            for what, size in (("length", t.length_mm), ("width", t.width_mm), ("crown height", t.crown_height_mm)):
                sides[t.side][f"{name} {what}"] = (size, fault, "mm")
            # a shell a tenth of a voxel thick, as openings have it, about a tooth taken for a box
            skin = 2 * (t.length_mm * t.width_mm + (t.length_mm + t.width_mm) * 2 * t.crown_height_mm)
            sides[t.side][f"{name} volume"] = (t.volume_mm3, 0.1 * voxel * skin, "mm3")
            if enamel is not None and t.part in enamel:
                sides[t.side][f"{name} enamel thickness"] = (enamel[t.part].average_mm, fault, "mm")
            if cusps is not None and t.part in cusps:
                sides[t.side][f"{name} cusps"] = (float(cusps[t.part].count), 0.5, "count")
    return tuple(_both(sides))


def _both(sides: Mapping[str, Sided]) -> Iterable[Asymmetry]:
    left, right = sides["left"], sides["right"]
    for name, (a, error, unit) in left.items():
        if name in right:
            found = compare(name, a, right[name][0], (error, right[name][1]), unit)
            if found is not None:
                yield found
