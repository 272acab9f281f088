"""Reading one place again after a person's word: pieces joined, a tooth cut, a missed tooth added.

Only a box round the place is looked at, on the grid and in the greys that the whole was read in (`records.Ground`); the
other teeth keep their measures, and all are named again. A new reading of the whole heeds the same words throughout;
the two agree in which voxels belong together, but the row's curve and the bone beneath an added tooth are those of
before.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, zoom

from ossicle.scans.model import ArrayLike3D
from ossicle.scans.patched import PatchedVolume

from .boxes import Box, box_of, grown
from .device import network
from .greys import Normalised
from .hints import Cut, Join, MissedTooth
from .local_records import Change, part_of, placed, renamed, without
from .network import MARGIN, look
from .records import Ground, Reading, Vector
from .tissue_model import ToothChance
from .working_grid import WorkingGrid, means

__all__ = ["Change", "Word", "prepare", "read_again"]

Labels = npt.NDArray[np.int32]
FloatArray = npt.NDArray[np.float64]
Word = Join | Cut | MissedTooth
GreyOf = Callable[[Box], npt.NDArray[np.generic]]

AROUND = MARGIN
"""Voxels shown round what is looked at: what the network needs to see, and the margin of the socket."""
NEAR, REACH = 0.7, 1.7
"""How far an added tooth is sought from the point given, in lengths of the longest tooth; the second where it goes on
beyond the first. Conventions of this program, as is the next."""
FEW_MM = 4.0
"""That length where there is no tooth."""


@dataclass(frozen=True)
class _Place:
    """A box of the scan drawn on the working grid. ``labels`` are on the scan's own grid."""

    box: Box
    labels: Labels
    grid: WorkingGrid
    volume: Normalised

    def fine(self, labels: Labels) -> Labels:
        """Labels of the box on the working grid."""
        return np.ascontiguousarray(self.grid.of_scan(labels).astype(np.int32))

    def coarse(self, labels: Labels) -> Labels:
        """Labels of the working grid in the box."""
        return self.grid.full_size(labels)

    def chance(self) -> ToothChance:
        """Chances of the network there."""
        tooth, enamel, between = look("tooth_network", self.volume.values)[:3]
        return ToothChance(tooth, between, enamel)


def read_again(
    reading: Reading,
    spacing_mm_zyx: Vector,
    boxes: Mapping[int, Box],
    grey_of: GreyOf,
    word: Word,
    dentition: str = "auto",
) -> Change | None:
    """Return what a person's word changes.

    Parameters
    ----------
    reading
        As it stands; its coordinates are index times spacing.
    spacing_mm_zyx
        Of its grid.
    boxes
        The least box of each part.
    grey_of
        Gives the stored greys of a box.
    word
        What the person said.
    dentition
        As `ossicle.reading.read` takes it.

    Returns
    -------
    Change | None
        The reading with changed labels, teeth, parts and names, and which parts changed; None where the word meets no
        structure that it could change.
    """
    near = _Near(reading, np.asarray(spacing_mm_zyx, float), boxes, grey_of, dentition)
    if isinstance(word, Join):
        return near.join(word)
    if isinstance(word, Cut):
        return near.cut(word)
    return near.add(word)


def prepare(reading: Reading) -> None:
    """Load the network, and weigh the names of a reading's teeth once, so that the first word need not wait for it.

    What is weighed of a jaw is kept as long as its teeth do not change (`naming.inference`).
    """
    network("tooth_network")
    if reading.observations:
        renamed(reading, set())


class _Near:
    def __init__(
        self, reading: Reading, spacing: FloatArray, boxes: Mapping[int, Box], grey_of: GreyOf, dentition: str
    ) -> None:
        self.reading, self.spacing, self.boxes, self.grey_of = reading, spacing, boxes, grey_of
        self.dentition = dentition
        self.teeth = {t.part: t for t in reading.teeth}
        self.shape = tuple(int(n) for n in reading.labels.shape)

    # -- the three words

    def join(self, word: Join) -> Change | None:
        parts = list(dict.fromkeys(self._at(p) for p in word.points_mm))
        parts = [p for p in parts if p in self.teeth]
        if len(parts) < 2:
            return None
        keep = max(parts, key=lambda p: (self._size(p), -p))
        place = self._place(_around([self.boxes[p] for p in parts]))
        own = np.isin(place.labels, parts)
        labels = place.labels.copy()
        labels[own] = keep
        labels[_closed(own, place.labels, self.teeth)] = keep
        return self._changed(place, labels, {keep: parts}, gone=set(parts) - {keep})

    def cut(self, word: Cut) -> Change | None:
        from scipy.ndimage import distance_transform_edt
        from skimage.segmentation import watershed

        part = self._at(word.point_mm)
        if part not in self.teeth or len(word.seeds_mm) < 2:
            return None
        place = self._place(self.boxes[part])
        own = place.labels == part
        fine = place.fine(np.where(own, 1, 0).astype(np.int32)) > 0
        chance = place.chance()
        seeds = np.zeros(fine.shape, np.int32)
        for k, seed in enumerate(word.seeds_mm, start=1):
            z, y, x = self._fine_voxel(place, seed)
            seeds[max(z - 1, 0) : z + 2, max(y - 1, 0) : y + 2, max(x - 1, 0) : x + 2] = k
        cut = watershed(-chance.within, np.where(fine, seeds, 0), mask=fine)
        pieces = place.coarse(cut.astype(np.int32))
        nearest = distance_transform_edt(pieces == 0, return_distances=False, return_indices=True)
        pieces = np.where(own, pieces[tuple(nearest)], 0)
        found = [k for k in range(1, len(word.seeds_mm) + 1) if (pieces == k).any()]
        if len(found) < 2:
            return None
        sizes = {k: int((pieces == k).sum()) for k in found}
        largest = max(found, key=lambda k: (sizes[k], -k))
        labels, number = place.labels.copy(), self._next()
        made: dict[int, list[int]] = {}
        for k in found:
            label = part if k == largest else number
            number += label == number
            labels[pieces == k] = label
            made[label] = [part]
        return self._changed(place, labels, made, gone=set())

    def add(self, word: MissedTooth) -> Change | None:
        voxel = self._voxel(word.point_mm)
        if self._at(word.point_mm) in self.teeth:
            return None
        number = self._next()
        for reach in (NEAR, REACH):
            place, chance, new, bound = self._grown(word, voxel, number, reach * self._usual())
            if not bound:
                break
        if not new.any():
            return None
        labels = place.labels.copy()
        labels[new] = number
        labels[_closed(new, place.labels, self.teeth)] = number
        enamel = place.coarse((chance.enamel > 0.5).astype(np.int32)) > 0
        return self._changed(place, labels, {number: []}, gone=set(), enamel=enamel & (labels == number))

    def _grown(
        self, word: MissedTooth, voxel: tuple[int, int, int], number: int, reach_mm: float
    ) -> tuple[_Place, ToothChance, npt.NDArray[np.bool_], bool]:
        """A tooth grown from a point, within so many mm; and whether it reached that far, so that it may go on."""
        from .grow import grow

        around = [max(4, round(reach_mm / s)) for s in self.spacing]
        core = grown(tuple(slice(v, v + 1) for v in voxel), self.shape, around)
        place = self._place(core)
        known = np.isin(place.labels, list(self.teeth))
        chance = place.chance()
        others = place.fine(np.where(known, place.labels, 0).astype(np.int32))
        markers = others.copy()
        z, y, x = self._fine_voxel(place, word.point_mm)
        ball = tuple(slice(max(c - 2, 0), c + 3) for c in (z, y, x))
        markers[ball] = np.where(others[ball] > 0, others[ball], number)
        chosen = grow(markers, place.volume, chance)
        inside = np.zeros(place.labels.shape, bool)
        inside[tuple(slice(c.start - s.start, c.stop - s.start) for c, s in zip(core, place.box, strict=True))] = True
        new = (place.coarse((chosen == number).astype(np.int32)) > 0) & ~known & inside
        new = _piece_with(new, [v - s.start for v, s in zip(voxel, place.box, strict=True)])
        rim = inside & ~_eroded(inside, place.box, self.shape)
        return place, chance, new, bool((new & rim).any())

    # -- what they share

    def _voxel(self, point_mm: Vector) -> tuple[int, int, int]:
        z, y, x = np.clip(np.rint(np.array(point_mm[::-1]) / self.spacing).astype(int), 0, np.array(self.shape) - 1)
        return int(z), int(y), int(x)

    def _fine_voxel(self, place: _Place, point_mm: Vector) -> tuple[int, int, int]:
        start = np.array([s.start for s in place.box])
        index = (np.array(point_mm[::-1]) / self.spacing - start - (place.grid.factor - 1) / 2) / place.grid.factor
        z, y, x = np.clip(np.rint(index).astype(int), 0, np.array(place.volume.values.shape) - 1)
        return int(z), int(y), int(x)

    def _at(self, point_mm: Vector) -> int:
        z, y, x = self._voxel(point_mm)
        return int(np.asarray(self.reading.labels[z : z + 1, y : y + 1, x : x + 1])[0, 0, 0])

    def _size(self, part: int) -> float:
        return float(self.teeth[part].volume_mm3)

    def _next(self) -> int:
        return max([0, *self.boxes, *(p.part for p in self.reading.parts)]) + 1

    def _usual(self) -> float:
        lengths = [t.length_mm for t in self.reading.teeth if np.isfinite(t.length_mm)]
        return max(lengths) if lengths else FEW_MM

    def _ground(self) -> Ground:
        kept, s = self.reading.ground, self.reading.statistics
        if kept is not None:
            return kept
        contrast = max(s.bone - s.air, 1e-9)  # a reading of an earlier version: as near as its statistics tell
        enamel = 1.5 if s.enamel is None else (s.enamel - s.air) / contrast
        return Ground(s.air, s.air + contrast, 0.6, 1.0, enamel, 0.35 * s.noise_sigma / contrast)

    def _place(self, box: Sequence[slice]) -> _Place:
        ground = self._ground()
        wide = grown(box, self.shape, int(np.ceil(AROUND * ground.factor)))
        step = max(1, round(ground.factor))
        wide_box = [slice(s.start, s.start + -(-(s.stop - s.start) // step) * step) for s in wide]
        wide = tuple(slice(min(s.start, n - (s.stop - s.start)) if s.stop > n else s.start, min(s.stop, n))
                     for s, n in zip(wide_box, self.shape, strict=True))  # type: ignore[assignment]  # fmt: skip
        grey = np.asarray(self.grey_of(wide)).astype(np.float32)
        spacing = tuple(float(s * ground.factor) for s in self.spacing)
        if ground.factor < 1:
            grey = zoom(grey, round(1 / ground.factor), order=3, grid_mode=True, mode="nearest")
        elif step > 1:
            grey = means(grey, step)
        values = (gaussian_filter(grey, ground.sigma) - ground.surround) / (ground.bone - ground.surround)
        volume = Normalised(values.astype(np.float32), ground.enamel, ground.noise, ground.sigma)
        shape = tuple(s.stop - s.start for s in wide)
        grid = WorkingGrid(grey, spacing, (0, 0, 0), ground.factor, shape, tuple(self.spacing))  # type: ignore[arg-type]
        labels = np.asarray(self.reading.labels[wide]).astype(np.int32)
        return _Place(wide, labels, grid, volume)

    def _changed(
        self,
        place: _Place,
        labels: Labels,
        made: Mapping[int, Sequence[int]],
        gone: set[int],
        enamel: npt.NDArray[np.bool_] | None = None,
    ) -> Change | None:
        """The reading with the box's labels replaced: parts and teeth measured and named anew.

        ``made`` gives for each changed part those that it came from; ``gone`` are no more.
        """
        inner = tuple(slice(s.start, s.stop) for s in place.box)
        box = (inner[0], inner[1], inner[2])
        whole: ArrayLike3D = PatchedVolume(self.reading.labels, [(box, labels)])
        reading = replace(self.reading, labels=whole)
        if enamel is not None and reading.enamel is not None:
            was = np.asarray(reading.enamel[box]).astype(bool)
            reading = replace(reading, enamel=PatchedVolume(reading.enamel, [(box, was | enamel)]))
        new_boxes = dict(self.boxes)
        for part in gone:
            new_boxes.pop(part, None)
        parts = {}
        for part in made:
            mask = labels == part
            tight = box_of(mask)
            if tight is None:
                return None
            z, y, x = (slice(t.start + b.start, t.stop + b.start) for t, b in zip(tight, box, strict=True))
            new_boxes[part] = (z, y, x)
            parts[part] = part_of(part, mask, box, self.spacing)
        reading = without(reading, gone)
        measured = placed(reading, parts, made, place.fine(labels), place.volume, place.grid, box, self.spacing)
        reading = renamed(measured, set(made), self.dentition)
        return Change(reading, new_boxes, frozenset(made), frozenset(gone))


def _around(boxes: Sequence[Box]) -> Box:
    z, y, x = (slice(min(b[k].start for b in boxes), max(b[k].stop for b in boxes)) for k in range(3))
    return z, y, x


def _closed(own: npt.NDArray[np.bool_], labels: Labels, teeth: Mapping[int, object]) -> npt.NDArray[np.bool_]:
    """What a tooth encloses and no other tooth has."""
    import fill_voids

    filled = np.asarray(fill_voids.fill(np.ascontiguousarray(own))).astype(bool)
    return np.asarray(filled & ~own & ~np.isin(labels, list(teeth)))


def _piece_with(mask: npt.NDArray[np.bool_], voxel: Sequence[int]) -> npt.NDArray[np.bool_]:
    """The connected piece of a mask that lies nearest to a voxel; all of it where it is one piece."""
    from scipy.ndimage import label

    pieces, count = label(mask)
    if count <= 1:
        return mask
    where = np.argwhere(mask)
    nearest = where[int(np.argmin(((where - np.asarray(voxel)) ** 2).sum(axis=1)))]
    return np.asarray(pieces == pieces[tuple(nearest)])


def _eroded(inside: npt.NDArray[np.bool_], box: Box, shape: Sequence[int]) -> npt.NDArray[np.bool_]:
    """A box without its outermost voxels, but for those at the edge of the scan."""
    out = np.zeros_like(inside)
    core = box_of(inside)
    if core is not None:
        kept = tuple(
            slice(c.start + (s.start + c.start > 0), c.stop - (s.start + c.stop < n))
            for c, s, n in zip(core, box, shape, strict=True)
        )
        out[kept] = True
    return out
