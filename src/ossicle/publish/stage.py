"""A specimen set up to be looked at: its surfaces, and which of them a view shows solid, veiled or not at all."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
import numpy.typing as npt

from ossicle.account.records import View
from ossicle.account.views import whole_skull
from ossicle.compare import Compared
from ossicle.errors import OssicleError
from ossicle.reading.boxes import grown
from ossicle.reading.records import Part, ToothRecord

from .colours import Colouring, Rgb, colour_of
from .drawing import Camera, Piece, normals_of
from .groups import group_of, lifts
from .meshes import labels_of
from .surfaces import Surface, contour, shares, surface_of, thinned

__all__ = ["STANDARD", "Stage", "presence_of", "stage_of", "standard_view", "way_on_page"]

Presence = Literal["solid", "veiled", "absent"]
BONE_VEIL = 0.55

STANDARD: Mapping[str, tuple[str, str | None]] = {
    "lateral left": ("lateral left", None),
    "lateral right": ("lateral right", None),
    "dorsal": ("dorsal", None),
    "ventral": ("ventral", None),
    "rostral": ("rostral", None),
    "caudal": ("caudal", None),
    "upper occlusal": ("ventral", "lower"),
    "lower occlusal": ("dorsal", "upper"),
    "left dentary lateral": ("lateral left", "but left dentary"),
    "left dentary medial": ("lateral right", "but left dentary"),
    "right dentary lateral": ("lateral right", "but right dentary"),
    "right dentary medial": ("lateral left", "but right dentary"),
}
"""Standard views by name: which way one looks, and what is set aside so that the view is free."""


@dataclass(frozen=True)
class Stage:
    """A specimen's surfaces by node name (``part-12``, ``enamel-12``), skull mm."""

    specimen: Compared
    surfaces: Mapping[str, Surface]

    @cached_property
    def parts(self) -> dict[int, Part]:
        """Parts that have a surface, by number."""
        held = {int(name.split("-")[1]) for name in self.surfaces}
        return {p.part: p for p in self.specimen.account.parts if p.part in held}

    @cached_property
    def teeth(self) -> dict[int, ToothRecord]:
        """Teeth by part."""
        return {t.part: t for t in self.specimen.account.teeth}

    @cached_property
    def normals(self) -> dict[str, npt.NDArray[np.float32]]:
        """Normals of vertices by node name."""
        return {name: normals_of(s) for name, s in self.surfaces.items()}

    @cached_property
    def ways(self) -> dict[int, npt.NDArray[np.float64]]:
        """The way (unit vector, skull) along which each part lifts off the others."""
        s = self.specimen
        centres = {p.part: s.skull(p.centroid_mm_xyz) for p in self.parts.values()}
        return lifts(list(self.parts.values()), self.teeth, (), centres)

    def looks(self, view: View) -> dict[int, Presence]:
        """Return the presence of every part in a view."""
        return {n: presence_of(p, self.teeth.get(n), view) for n, p in self.parts.items()}

    def pieces(self, view: View, colours: Colouring = "generation", chosen: Iterable[int] = ()) -> list[Piece]:
        """Return what is drawn in a view."""
        marked = set(chosen)
        looks = self.looks(view)
        out = []
        for name, surface in self.surfaces.items():
            kind, _, number = name.partition("-")
            part = self.parts[int(number)]
            presence = looks[part.part]
            if presence == "absent" or (kind == "enamel" and presence != "solid"):
                continue
            lift = self.ways[part.part] * view.lift_mm
            out.append(
                Piece(
                    part=part.part,
                    surface=surface,
                    normals=self.normals[name],
                    colour=self.piece_colour(part, enamel=kind == "enamel", colours=colours),
                    presence=presence,
                    opacity=BONE_VEIL if part.kind == "bone" else 0.5,
                    layer="bone" if part.kind == "bone" else "other",
                    lift=(float(lift[0]), float(lift[1]), float(lift[2])),
                    nearer_mm=0.6 * self.specimen.voxel_mm if kind == "enamel" else 0.0,
                    chosen=part.part in marked,
                )
            )
        return out

    def piece_colour(self, part: Part, *, enamel: bool, colours: Colouring = "generation") -> Rgb:
        """Return the colour of a part, or of its enamel."""
        body = colour_of(part, self.teeth.get(part.part), colours)
        if part.kind != "tooth" or colours == "grey":
            return tuple(min(1.0, c + 0.14 * enamel) for c in body)  # type: ignore[return-value]
        other, share = ((1.0, 0.995, 0.97), 0.34) if enamel else ((0.72, 0.6, 0.46), 0.16)
        return tuple(a + (b - a) * share for a, b in zip(body, other, strict=True))  # type: ignore[return-value]

    def bounds(self, view: View) -> tuple[float, float, float, float, float, float]:
        """Return low and high of what a view shows along right and up on its page and towards the eye, mm."""
        camera = Camera(view.look, view.up, (0.0, 0.0, 0.0), 1.0, 1, 1)
        spans = [p.vertices @ camera.axes.T for p in self.pieces(view)]
        if not spans:
            raise OssicleError("this view shows nothing", where=self.specimen.name, mend="leave some part solid")
        low = np.min([x.min(axis=0) for x in spans], axis=0)
        high = np.max([x.max(axis=0) for x in spans], axis=0)
        return (*map(float, low), *map(float, high))  # type: ignore[return-value]


def stage_of(s: Compared, budget: int = 150_000, parts: Iterable[int] | None = None) -> Stage:
    """Return a specimen set up: surfaces of all parts (or of these), enamel apart where the reading kept it.

    Parameters
    ----------
    budget
        Triangles of all surfaces, about; half of them for the teeth.

    Raises
    ------
    OssicleError
        The labels are not at hand.
    """
    labels = labels_of(s)
    teeth = {t.part for t in s.account.teeth}
    wanted = {p.part for p in s.account.parts} if parts is None else set(parts)
    boxes = {n: box for n, box in enumerate(s.boxes, start=1) if box is not None and n in wanted}
    raw = {n: surface_of(labels, n, box, (1.0, 1.0, 1.0), s.index_to_skull) for n, box in boxes.items()}
    found = {n: x for n, x in raw.items() if x is not None}
    if not found:
        raise OssicleError("none of its parts has a voxel", where=s.name, mend="read it again")
    allowed = shares({n: x.area_mm2 for n, x in found.items()}, teeth, budget)
    out = {f"part-{n}": thinned(x, allowed[n]) for n, x in found.items()}
    enamel = s.enamel
    for n in sorted(teeth & set(found)) if enamel is not None else ():
        wide = grown(boxes[n], labels.shape, 1)
        assert enamel is not None
        cap = np.asarray(enamel[wide]).astype(bool) & (np.asarray(labels[wide]) == n)
        if np.count_nonzero(cap) >= 8:
            surface = contour(cap, [w.start for w in wide], (1.0, 1.0, 1.0), s.index_to_skull)
            out[f"enamel-{n}"] = thinned(surface, max(240, allowed[n] // 2))
    return Stage(s, out)


def presence_of(part: Part, tooth: ToothRecord | None, view: View) -> Presence:
    """Return whether a view shows a part solid, veiled or not; cavities and openings are shown where it names them."""
    said = view.presence.get(part.part)
    if said is not None:
        return said
    if group_of(part, tooth) in ("cavity", "opening"):
        return "absent"
    return view.others


def standard_view(name: str, s: Compared, *, bone: Presence = "solid", caption: str = "") -> View:
    """Return a standard view of `STANDARD`: everything solid, bone as said, what hides the view set aside.

    Raises
    ------
    OssicleError
        There is no view of that name.
    """
    if name not in STANDARD:
        raise OssicleError(f"{name!r} is no standard view", mend=f"choose from {', '.join(STANDARD)}")
    pose, without = STANDARD[name]
    teeth = {t.part: t for t in s.account.teeth}
    presence: dict[int, Presence] = {}
    for part in s.account.parts:
        if _aside(part, teeth.get(part.part), without):
            presence[part.part] = "absent"
        elif part.kind == "bone" and bone != "solid":
            presence[part.part] = bone
    said = caption or f"{name.capitalize()} view."
    return replace(whole_skull(pose, said), others="solid", presence=presence)


def _aside(part: Part, tooth: ToothRecord | None, without: str | None) -> bool:
    if without is None:
        return False
    lower = tooth.jaw == "lower" if tooth is not None else part.term in ("dentary", "mandible")
    if without in ("upper", "lower"):
        return lower == (without == "lower")
    side = without.split()[1]
    own = tooth.side if tooth is not None else part.side
    return not lower or own not in (side, None)


_WAYS = {
    "left": (1.0, 0.0, 0.0),
    "right": (-1.0, 0.0, 0.0),
    "dorsal": (0.0, 1.0, 0.0),
    "ventral": (0.0, -1.0, 0.0),
    "rostral": (0.0, 0.0, 1.0),
    "caudal": (0.0, 0.0, -1.0),
}


def way_on_page(view: View) -> tuple[tuple[str, float], tuple[str, float]]:
    """Return what lies to the right and upwards on the page, each with how nearly (cosine)."""
    axes = Camera(view.look, view.up, (0.0, 0.0, 0.0), 1.0, 1, 1).axes
    found = []
    for axis in axes[:2]:
        name = max(_WAYS, key=lambda n: float(np.dot(_WAYS[n], axis)))
        found.append((name, float(np.dot(_WAYS[name], axis))))
    return found[0], found[1]
