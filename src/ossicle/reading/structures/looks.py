"""Pictures that show the structures: sections and projections in skull pose with what was measured drawn on them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from ..records import Side
from .records import Braincase, Ear, JawHalf, Look, Opening, Palate
from .space import Block, Space, unit

__all__ = ["body_look", "braincase_look", "ear_look", "from_outside", "jaw_look", "palate_look"]

FloatArray = npt.NDArray[np.float64]


def palate_look(palate: Palate) -> Look:
    """The palate laid out, seen from below, front at the top and the animal's right at the left."""
    step, (x0, z0) = palate.image_step, palate.image_low
    nz = palate.image.shape[1]
    image = np.clip(palate.image, 0, 1.3)[:, ::-1].T.astype(
        np.float32
    )  # row: from front to back; column: right to left

    def place(points: FloatArray) -> FloatArray:
        return np.stack([points[:, 0] - x0 + step / 2, (z0 + (nz - 1) * step) - points[:, 2] + step / 2], axis=1)

    lines = tuple((f"{o.term}, {o.side}", place(_closed(o.rim))) for o in palate.openings)
    return Look(
        "The palate laid out",
        "The bony palate from below, laid out on its own curve; front at the top, the animal's right at the left. "
        "Dark: openings, outlined where measured.",
        image,
        step,
        lines,
    )


def _closed(rim: FloatArray) -> FloatArray:
    return np.vstack([rim, rim[:1]])


def jaw_look(space: Space, jaw: JawHalf) -> Look | None:
    """The hind third of a dentary from below with the axis of its angular process: caudal at the bottom."""
    if jaw.angle is None or jaw.angle.base is None or jaw.angle.tip is None:
        return None
    base, tip = jaw.angle.base, jaw.angle.tip
    long = float(np.linalg.norm(tip - base))
    middle = (base + tip) / 2
    reach = 1.9 * long
    around = np.array([reach, 1.2 * long, reach])
    low, high = middle - around, middle + around
    block = space.block(low, high, space.voxel, labels=True)
    assert block.labels is not None
    own = np.where(block.labels == jaw.part, block.values, 0.0)
    image = own.max(axis=1)[:, ::-1].T.astype(np.float32)
    top = block.low[2] + (block.values.shape[2] - 1) * block.step

    def place(points: FloatArray) -> FloatArray:
        return np.stack([points[:, 0] - block.low[0], top - points[:, 2]], axis=1) + block.step / 2

    sagittal = base + np.array([[0, 0, 0.3 * long], [0, 0, -1.2 * long]])
    return Look(
        f"The {jaw.side} angular process from above",
        f"Greatest grey of the {jaw.side} dentary about its angular process, seen from above, front at the top; its "
        "axis and the sagittal direction through its base.",
        image,
        block.step,
        (("axis of the process", place(np.array([base, tip]))), ("sagittal", place(sagittal))),
    )


def from_outside(image: FloatArray, block: Block, side: Side) -> tuple[FloatArray, Callable[[FloatArray], FloatArray]]:
    """Lay a picture (y, z) of a block out as it is seen from the animal's ``side``.

    Dorsal is at the top; front at the left from the left side, at the right from the right one. Returned with it is
    what places points (n, 3), skull mm, in it.
    """
    left = side == "left"
    top, (z0, z1) = block.axis(1)[-1], block.axis(2)[[0, -1]]

    def place(points: FloatArray) -> FloatArray:
        across = z1 - points[:, 2] if left else points[:, 2] - z0
        return np.stack([across, top - points[:, 1]], axis=1) + block.step / 2

    return image[::-1, ::-1] if left else image[::-1], place


def body_look(space: Space, jaw: JawHalf) -> Look | None:
    """The relief of a dentary's body about its mental foramina, from its outer side, dorsal at the top."""
    if not jaw.mental:
        return None
    rims = np.concatenate([o.rim for o in jaw.mental])
    room = max(2.5, 2.0 * max(o.length_mm.value for o in jaw.mental))
    block = space.block(rims.min(0) - room, rims.max(0) + room, space.voxel, labels=True)
    assert block.labels is not None
    own = (block.labels == jaw.part) & (block.values > 0.5)
    outward = own[::-1] if jaw.side == "left" else own
    deep = np.where(outward.any(axis=0), np.argmax(outward, axis=0), outward.shape[0]).astype(float)
    low, high = np.quantile(deep[deep < outward.shape[0]], [0.02, 0.98]) if own.any() else (0.0, 1.0)
    relief = np.where(deep < outward.shape[0], 1.0 - 0.8 * (deep - low) / max(high - low, 2.0), 0.0)
    image, place = from_outside(np.clip(relief, 0.0, 1.0), block, jaw.side)
    return Look(
        f"The {jaw.side} dentary from its outer side",
        f"Relief of the {jaw.side} dentary's body, nearer is brighter; dorsal at the top, front at the "
        f"{jaw.side}. Mental foramina outlined where measured.",
        image.astype(np.float32),
        block.step,
        tuple((f"{o.term}, {o.basis}", place(_closed(o.rim))) for o in jaw.mental),
    )


def braincase_look(space: Space, brain: Braincase) -> Look | None:
    """The midsagittal section through the braincase, the foramen magnum drawn."""
    if brain.centre is None:
        return None
    reach = 1.1 * float(np.cbrt(brain.volume_mm3.value)) if brain.volume_mm3 is not None else 8.0
    c = brain.centre
    low, high = np.array([0.0, c[1] - reach, c[2] - 1.4 * reach]), np.array([0.0, c[1] + reach, c[2] + 1.4 * reach])
    block = space.block(low, high, space.voxel)
    image = block.values[0][::-1, ::-1].astype(np.float32)
    top, front = block.axis(1)[-1], block.axis(2)[-1]
    lines = []
    if brain.magnum is not None:
        rim = brain.magnum.rim
        ends = np.array([rim[np.argmax(rim[:, 1])], rim[np.argmin(rim[:, 1])]])
        lines.append(("foramen magnum", np.stack([front - ends[:, 2], top - ends[:, 1]], axis=1) + block.step / 2))
    return Look(
        "Midsagittal section of the braincase",
        "The scan in the midplane; front at the left, dorsal at the top; the line is the foramen magnum.",
        image,
        block.step,
        tuple(lines),
    )


def ear_look(space: Space, ear: Ear) -> Look:
    """A section through the middles of both windows and of the labyrinth, or across the labyrinth without them."""
    windows = [w for w in (ear.oval, ear.round) if w is not None]
    c = ear.centre
    if len(windows) == 2:
        u = unit(windows[0].centre - c)
        v = windows[1].centre - c
        v = unit(v - (v @ u) * u)
    else:
        u, v = np.array([1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0])
    volume = ear.labyrinth_mm3.value if ear.labyrinth_mm3 is not None else 1.0
    reach, step = 1.5 * float(np.cbrt(volume)), 0.5 * space.voxel
    n = int(np.ceil(reach / step))
    grid = np.arange(-n, n + 1) * step
    image = space.at(c + grid[None, :, None] * u + grid[:, None, None] * v).astype(np.float32)

    def line(w: Opening) -> FloatArray:
        off = w.rim - c
        normal = np.cross(u, v)
        near = off[np.argsort(np.abs(off @ normal))[: max(6, len(off) // 6)]]
        flat = np.stack([near @ u, near @ v], axis=1)
        gaps = np.linalg.norm(flat[:, None] - flat[None], axis=-1)
        i, j = np.unravel_index(int(np.argmax(gaps)), gaps.shape)
        return flat[[i, j]] + reach + step / 2

    return Look(
        f"Section of the {ear.side} labyrinth",
        f"The scan in the plane of the {ear.side} labyrinth's middle and its windows, which are drawn as lines."
        if windows
        else f"The scan across the middle of the {ear.side} labyrinth.",
        image,
        step,
        tuple((f"{w.term}, {w.side}", line(w)) for w in windows if len(windows) == 2),
    )
