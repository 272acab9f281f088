"""Surfaces of specimens, made once and kept under the collection in ``drawn/``, which may be emptied at any time."""

from __future__ import annotations

import hashlib
import io
import threading
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ossicle.collection.files import write_file
from ossicle.publish.gltf import glb
from ossicle.publish.surfaces import Surface, contour, shares, surface_of, thinned

from .enamel import enamel_of
from .specimen import surfaces_key
from .workbench import Shown, Workbench

__all__ = ["Drawn"]

MAKE = 1
"""Counts changes of how surfaces are made, so that older ones are made again."""
Progress = Callable[[float], None]


class Drawn:
    """The surfaces of specimens.

    Parameters
    ----------
    bench
        The specimens.
    folder
        Where surfaces are kept between runs.
    """

    def __init__(self, bench: Workbench, folder: Path) -> None:
        self.bench, self.folder = bench, folder
        self._busy = threading.Lock()
        self._pieces: OrderedDict[str, dict[str, Surface]] = OrderedDict()
        self._files: OrderedDict[str, bytes] = OrderedDict()

    def glb(self, shown: Shown, parts: set[int] | None = None) -> bytes:
        """Return the surfaces of a specimen as binary glTF, of these parts alone where given."""
        key = surfaces_key(shown) + ("" if parts is None else "-" + ",".join(map(str, sorted(parts))))
        with self._busy:
            if key not in self._files:
                self._files[key] = self._made(shown, parts, key)
                while len(self._files) > 12:
                    self._files.popitem(last=False)
            self._files.move_to_end(key)
            return self._files[key]

    def _made(self, shown: Shown, parts: set[int] | None, key: str) -> bytes:
        """Return the file of these parts; that of all parts as the reading left them is kept between runs."""
        own = shown.info.uid
        as_read = parts is None and all(shape == own[:12] for shape in shown.shapes.values())
        file = self.folder / f"{own}-{MAKE}-{key}.glb"
        made = _checked(file) if as_read else None
        if made is None:
            made = glb(self._surfaces(shown, parts), {"specimen": shown.specimen.id, "frame": "skull"})
            if as_read:
                self.folder.mkdir(parents=True, exist_ok=True)
                write_file(file, _signed(made))
        return made

    def _surfaces(self, shown: Shown, parts: set[int] | None) -> dict[str, Surface]:
        kept = self._of_reading(shown)
        out: dict[str, Surface] = {}
        wanted = [p for p in shown.boxes if parts is None or p in parts]
        own = shown.info.uid[:12]
        for part in wanted:
            names = (f"part-{part}", f"enamel-{part}")
            if shown.shapes[part] != own:
                out |= self._changed(shown, part)
            else:
                out |= {name: kept[name] for name in names if name in kept}
        return out

    def _of_reading(self, shown: Shown) -> dict[str, Surface]:
        """Return the surfaces of all parts as the reading left them; made where they are not kept."""
        uid = shown.info.uid
        if uid not in self._pieces:
            file = self.folder / f"{uid}-{MAKE}.npz"
            pieces = _load(file)
            if pieces is None:
                pieces = self._make(shown)
                self.folder.mkdir(parents=True, exist_ok=True)
                write_file(file, _saved(pieces))
            while len(self._pieces) >= 6:
                self._pieces.popitem(last=False)
            self._pieces[uid] = pieces
        self._pieces.move_to_end(uid)
        return self._pieces[uid]

    def _make(self, shown: Shown) -> dict[str, Surface]:
        labels, boxes = self.bench.as_read(shown)
        spacing, matrix = shown.spacing, shown.grid_to_skull
        raw = {part: surface_of(labels, part, box, spacing, matrix) for part, box in boxes.items()}
        found = {part: s for part, s in raw.items() if s is not None}
        teeth = {t.part for t in shown.kept.reading.teeth}
        allowed = shares({part: s.area_mm2 for part, s in found.items()}, teeth)
        out = {f"part-{part}": thinned(s, allowed[part]) for part, s in found.items()}
        for part in sorted(teeth & set(found)):
            cap = self._enamel(shown, part, labels[boxes[part]], boxes[part], allowed[part])
            if cap is not None:
                out[f"enamel-{part}"] = cap
        return out

    def _changed(self, shown: Shown, part: int) -> dict[str, Surface]:
        """Return the surfaces of a part that a person's decision made or changed."""
        key = f"{shown.info.uid}:{part}:{shown.shapes[part]}"
        if key not in self._pieces:
            box = shown.boxes[part]
            surface = surface_of(shown.labels, part, box, shown.spacing, shown.grid_to_skull)
            made: dict[str, Surface] = {}
            if surface is not None:
                allowed = max(2500, int(0.02 * len(surface.faces)))
                made[f"part-{part}"] = thinned(surface, allowed)
                if part in {t.part for t in shown.replayed.reading.teeth}:
                    cap = self._enamel(shown, part, shown.labels[box], box, allowed)
                    if cap is not None:
                        made[f"enamel-{part}"] = cap
            self._pieces[key] = made
        return self._pieces[key]

    def _enamel(
        self, shown: Shown, part: int, labels: npt.NDArray[np.integer], box: tuple[slice, ...], allowed: int
    ) -> Surface | None:
        own = np.asarray(labels) == part
        cap = enamel_of(shown, lambda: self.bench.scan(shown), own, box)
        if cap is None or np.count_nonzero(cap) < 8:
            return None
        surface = contour(np.pad(cap, 1), [s.start - 1 for s in box], shown.spacing, shown.grid_to_skull)
        return thinned(surface, max(240, allowed // 2))


def _saved(pieces: dict[str, Surface]) -> bytes:
    arrays: dict[str, npt.NDArray[np.generic]] = {}
    for name, surface in pieces.items():
        arrays[f"{name}.v"], arrays[f"{name}.f"] = surface.vertices, surface.faces
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)  # type: ignore[arg-type]
    return _signed(buffer.getvalue())


def _signed(data: bytes) -> bytes:
    return hashlib.sha256(data).digest() + data


def _checked(file: Path) -> bytes | None:
    """Return what was kept as `_signed`; None where there is nothing, or where it is damaged."""
    try:
        data = file.read_bytes()
    except OSError:
        return None
    return data[32:] if hashlib.sha256(data[32:]).digest() == data[:32] else None


def _load(file: Path) -> dict[str, Surface] | None:
    """Return kept surfaces; None where there are none, or where they are damaged."""
    data = _checked(file)
    if data is None:
        return None
    with np.load(io.BytesIO(data), allow_pickle=False) as kept:
        names = dict.fromkeys(name[:-2] for name in kept.files)
        return {name: Surface(kept[f"{name}.v"], kept[f"{name}.f"]) for name in names}
