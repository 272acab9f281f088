"""Pictures of an ear: its section with the parts outlined, the ossicles' plane, the labyrinth with its lines."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, map_coordinates
from skimage.measure import approximate_polygon, find_contours

from .looks import from_outside
from .records import Ear, Look
from .space import Space, unit

__all__ = ["labyrinth_look", "middle_ear_look", "outlines", "section_look"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int32]


def outlines(labels: IntArray, part: int, step: float) -> list[FloatArray]:
    """Outlines of a part in a section (row, column), each (n, 2) in mm across and down; specks left out."""
    mark = np.pad((labels == part).astype(np.float32), 1)
    found = find_contours(gaussian_filter(mark, 0.7), 0.5)
    return [
        (approximate_polygon(line, 0.35)[:, ::-1] - 0.5) * step
        for line in found
        if len(line) > 12 and np.ptp(line, axis=0).min() > 2
    ]


def _plane(
    space: Space, centre: FloatArray, u: FloatArray, v: FloatArray, reach: float
) -> tuple[npt.NDArray[np.float32], IntArray, float]:
    """Greys and labels of the plane through ``centre``; ``u`` runs across, ``v`` down; the side of a pixel (mm)."""
    step = 0.5 * space.voxel
    n = int(np.ceil(reach / step))
    grid = np.arange(-n, n + 1) * step
    place = centre + grid[None, :, None] * u + grid[:, None, None] * v
    index = space.indices(place)
    marks = map_coordinates(space.labels, index, order=0, mode="constant")
    return space.at(place).astype(np.float32), marks.astype(np.int32), step


def _lines(labels: IntArray, ear: Ear, terms: tuple[str, ...], step: float) -> tuple[tuple[str, FloatArray], ...]:
    return tuple(
        (term, line) for term in terms if term in ear.parts for line in outlines(labels, ear.parts[term], step)
    )


def section_look(space: Space, ear: Ear) -> Look:
    """The section across the skull through the labyrinth's middle."""
    volume = ear.labyrinth_mm3.value if ear.labyrinth_mm3 is not None else 1.0
    reach = 2.6 * float(np.cbrt(volume))
    centre = ear.centre + np.array([0.0, -0.3 * reach, 0.0])
    image, labels, step = _plane(space, centre, np.array([-1.0, 0, 0]), np.array([0, -1.0, 0]), reach)
    terms = ("petrosal", "bony labyrinth", "tympanic cavity", "incus", "malleus")
    lines = _lines(labels, ear, terms, step)
    return Look(
        f"Section across the {ear.side} ear region",
        f"The scan across the skull through the middle of the {ear.side} labyrinth, seen from the front; dorsal at the "
        "top, the animal's left at the left. Outlined: what is told apart there.",
        image,
        step,
        lines,
    )


def middle_ear_look(space: Space, ear: Ear) -> Look | None:
    """The plane through the oval window in which the ossicles that were found lie; else the one that runs outward."""
    if ear.oval is None or ear.middle is None:
        return None
    centre = ear.oval.centre
    seats = [space.skull_mm(space.voxels(ear.parts[b]).mean(0)) for b in ("incus", "malleus") if b in ear.parts]
    out = unit((seats[0] if seats else ear.middle) - centre)
    other = (seats[1] - centre) if len(seats) == 2 else np.array([0.0, -1.0, 0.0])
    if abs(float(unit(other) @ out)) > 0.97:
        other = np.array([0.0, 0.0, 1.0])
    v = unit(other - (other @ out) * out)
    far = max([float(np.linalg.norm(s - centre)) for s in seats], default=3.0 * ear.oval.length_mm.value)
    reach = 1.3 * far
    image, labels, step = _plane(space, centre + 0.5 * far * out, out, v, reach)
    rim = ear.oval.rim - (centre + 0.5 * far * out)
    across = np.stack([rim @ out, rim @ v], axis=1) + reach + step / 2
    gaps = np.linalg.norm(across[:, None] - across[None], axis=-1)
    i, j = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
    lines = (("oval window", across[[i, j]]), *_lines(labels, ear, ("incus", "malleus"), step))
    held = " and ".join(b for b in ("incus", "malleus") if b in ear.parts)
    return Look(
        f"The {ear.side} middle ear",
        f"The scan in a plane through the middle of the {ear.side} oval window"
        + (f" and through {held}, outlined." if held else ", running outward from it; no ossicle is outlined."),
        image,
        step,
        lines,
    )


def labyrinth_look(space: Space, ear: Ear) -> Look | None:
    """The labyrinth from its outer side: how thick it is along the line of sight, with the lines measured in it."""
    if ear.part is None or not ear.lines:
        return None
    points = space.skull_mm(space.voxels(ear.part))
    room = 3 * space.voxel
    every = np.concatenate([points, *ear.lines.values()])
    block = space.block(every.min(0) - room, every.max(0) + room, 0.5 * space.voxel, labels=True)
    assert block.labels is not None
    thick = (block.labels == ear.part).sum(axis=0) * block.step
    image = np.sqrt(gaussian_filter(thick / max(float(thick.max()), block.step), 0.7))
    image, place = from_outside(image, block, ear.side)
    return Look(
        f"The {ear.side} labyrinth from its outer side",
        f"How thick the {ear.side} bony labyrinth is along the line of sight, thicker is brighter; dorsal at the top, "
        f"front at the {ear.side}. Lines: the middle of the cochlea and the circles of the "
        "semicircular canals, as measured.",
        (1.3 * image).astype(np.float32),
        block.step,
        tuple(
            (name, place(np.vstack([line, line[:1]]) if name != "cochlea" else line))
            for name, line in ear.lines.items()
        ),
    )
