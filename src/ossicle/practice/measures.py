"""Lengths and breadths of a specimen, taken on the surface of its model by the extremal rules of the
handbooks.

Surface points come from the signed distances (each stepped onto the zero surface), so they are finer than
the scan's voxels. Definitions: Hall 1951 (condylobasal length, zygomatic breadth, interorbital breadth), the
USGS skull glossary (basal length, greatest length, breadth of the braincase); the others are common
practice, with end points from memory. Lengths run parallel to the skull's long axis, breadths across it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ossicle.practice.specimen import Anatomy
from ossicle.practice.teeth import Tooth

__all__ = ["Surface", "measure"]

Vec = NDArray[np.float64]
Surface = tuple[Vec, NDArray[np.int64]]
"""Points (n, 3) in skull mm and the label of the part that each belongs to."""


def measure(a: Anatomy, surfaces: dict[str, Surface], labels: dict[tuple[str, str], int]) -> dict[str, float]:
    """All measurements that the specimen allows, by name, in mm of the design.

    Parameters
    ----------
    surfaces
        By ``cranium``, ``left dentary`` and ``right dentary``.
    labels
        Label by (term, side).
    """
    out: dict[str, float] = {}
    if "cranium" in surfaces and a.cranium is not None:
        out.update(_cranium(a, surfaces["cranium"], labels))
    for side in a.dentaries:
        if f"{side} dentary" in surfaces:
            out.update(_dentary(a, side, surfaces[f"{side} dentary"][0]))
    for side in ("left", "right"):
        out.update(_rows([t for t in a.teeth if t.side == side and t.emergence == "erupted"], a, side))
    return {name: value for name, value in out.items() if np.isfinite(value) and value > 0}


def _cranium(a: Anatomy, surface: Surface, labels: dict[tuple[str, str], int]) -> dict[str, float]:
    p, owner = surface
    assert a.cranium is not None

    def of(term: str) -> Vec:
        mine = [label for (t, _), label in labels.items() if t == term]
        chosen: Vec = p[np.isin(owner, mine)]
        return chosen

    out = {"greatest length of skull": float(np.ptp(p[:, 2]))}
    front, nose, arch, top = of("premaxilla"), of("nasal"), of("jugal (zygomatic)"), of("frontal")
    if len(front):
        behind = float(p[np.abs(p[:, 1] - a.cranium.landmarks["basion"][1]) < 2.0][:, 2].min())
        out["condylobasal length"] = float(front[:, 2].max()) - behind
        out["basal length"] = float(front[:, 2].max() - a.cranium.landmarks["basion"][2])
    if len(arch):
        reach = p[np.abs(p[:, 2] - arch[:, 2].mean()) < np.ptp(arch[:, 2])]
        out["zygomatic breadth"] = float(np.ptp(reach[:, 0]))
    brain = of("parietal")
    if len(brain):
        out["breadth of braincase"] = float(np.ptp(brain[:, 0]))
    if len(nose):
        out["nasal length"] = float(np.ptp(nose[:, 2]))
    if len(top):
        hinge = float(a.grow.along(float(a.animal.design["cranium"]["hinge"])))
        start = float(a.grow.along(float(a.animal.design["cranium"]["brain"][0])))
        widths = []
        for z in np.arange(start - 3.5, hinge, 0.3):
            slab = p[(np.abs(p[:, 2] - z) < 0.25) & (p[:, 1] > np.percentile(top[:, 1], 10))]
            if len(slab) > 8:
                widths.append(float(np.ptp(slab[:, 0])))
        if widths:
            out["interorbital breadth"] = min(widths)
    for side, ear in a.ears.items():
        if ear.floor is not None and ear.figures["floor"] != "none":
            bulla = p[owner == labels.get(("auditory bulla", side), -1)]
            if len(bulla):
                out[f"bulla length {side}"] = float(np.ptp(bulla[:, 2]))
    for o in a.openings:
        if o.term == "incisive foramen":
            out[f"incisive foramen length {o.side}"] = 2 * max(o.half_axes)
    return out


def _dentary(a: Anatomy, side: str, points: Vec) -> dict[str, float]:
    back = np.linalg.inv(a.jaw[side])
    p = points @ back[:3, :3].T + back[:3, 3]
    condyle = a.dentaries[side].landmarks["condyle"]
    near = p[np.linalg.norm(p - condyle, axis=1) < 2.2]
    out = {}
    if len(near):
        out[f"mandible length {side}"] = float(p[:, 2].max() - near[:, 2].min())
    tip = p[np.argmax(p[:, 1])]
    below = p[np.abs(p[:, 2] - tip[2]) < 0.3]
    out[f"coronoid height {side}"] = float(tip[1] - below[:, 1].min())
    return out


def _extent(t: Tooth, a: Anatomy, alveolar: bool) -> tuple[float, float]:
    """Back and front (z, mm) of a tooth's crown, or of its neck at the alveolar margin."""
    q = t.model.surface
    chosen = q[np.abs(q[:, 2] - t.crest) < 0.15] if alveolar else q[q[:, 2] > t.crest]
    p = (chosen if len(chosen) else q) @ t.to_skull[:3, :3].T + t.to_skull[:3, 3]
    if t.jaw == "lower":
        back = np.linalg.inv(a.jaw[t.side])
        p = p @ back[:3, :3].T + back[:3, 3]
    return float(p[:, 2].min()), float(p[:, 2].max())


def _rows(teeth: Sequence[Tooth], a: Anatomy, side: str) -> dict[str, float]:
    out = {}

    def some(jaw: str, *kinds: str) -> list[Tooth]:
        return [t for t in teeth if t.jaw == jaw and t.kind in kinds]

    def span(chosen: Sequence[Tooth], alveolar: bool = False) -> float:
        ends = [_extent(t, a, alveolar) for t in chosen]
        return max(e[1] for e in ends) - min(e[0] for e in ends)

    molars, cheek = some("upper", "molar"), some("upper", "premolar", "molar")
    front = some("upper", "incisor", "canine")
    if molars:
        out[f"alveolar length of upper molars {side}"] = span(molars, alveolar=True)
    if molars and some("upper", "canine"):
        out[f"maxillary tooth row C-M {side}"] = span([*some("upper", "canine"), *molars])
    if molars and some("upper", "incisor"):
        out[f"length of tooth row {side}"] = span([*some("upper", "incisor"), *molars])
    if front and cheek:
        gap = min(_extent(t, a, True)[0] for t in front) - max(_extent(t, a, True)[1] for t in cheek)
        if gap > 1.0:
            out[f"diastema length {side}"] = gap
    lower = some("lower", "premolar", "molar")
    if lower:
        out[f"lower tooth row length {side}"] = span(lower)
    return out
