"""Pictures of face and occiput: the nasal cavity outlined, the condyles from behind."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from .looks_ear import outlines
from .occiput import NAME
from .records import Braincase, Look, Measured, NasalCavity, Suture
from .space import Space

__all__ = ["nose_look", "occiput_look", "suture_look"]

FloatArray = npt.NDArray[np.float64]
ASIDE = 0.35
"""How far beside the midplane the section through the nose runs, as a share of the cavity's half width, so that it does
not run along the septum."""


def nose_look(space: Space, nose: NasalCavity) -> Look | None:
    """A section along the snout a little beside the midplane, the nasal cavity outlined."""
    if nose.part is None:
        return None
    points = space.skull_mm(space.voxels(nose.part))
    low, high = points.min(0), points.max(0)
    room = 0.2 * float((high - low)[1:].max())
    x = ASIDE * float(np.abs(points[:, 0]).max())
    a, b = low - room, high + room
    a[0] = b[0] = x
    block = space.block(a, b, space.voxel, labels=True)
    assert block.labels is not None
    image = block.values[0][::-1, ::-1].astype(np.float32)
    labels = np.ascontiguousarray(block.labels[0][::-1, ::-1])
    return Look(
        "Section along the snout",
        f"The scan {x:.1f} mm to the left of the midplane, front at the left, dorsal at the top; the nasal cavity is "
        "outlined.",
        image,
        block.step,
        tuple(("nasal cavity", line) for line in outlines(labels, nose.part, block.step)),
    )


def occiput_look(space: Space, brain: Braincase, measured: Sequence[Measured]) -> Look | None:
    """The relief of the occiput from behind, with the foramen magnum and the breadth across the condyles."""
    across = next((m for m in measured if m.name == NAME), None)
    if brain.magnum is None or across is None:
        return None
    rim = brain.magnum.rim
    wide = max(float(across.value_mm.value), float(np.ptp(rim[:, 0])))
    c = brain.magnum.centre
    low = np.array([c[0] - 0.85 * wide, c[1] - 0.7 * wide, c[2] - 0.6 * wide])
    high = np.array([c[0] + 0.85 * wide, c[1] + 0.7 * wide, c[2] + 0.8 * wide])
    block = space.block(low, high, space.voxel, labels=True)
    assert block.labels is not None
    own = (block.values > 0.5) & (block.labels > 0)
    deep = np.where(own.any(axis=2), np.argmax(own, axis=2), own.shape[2]).astype(float)
    met = deep < own.shape[2]
    if not met.any():
        return None
    near, far = np.quantile(deep[met], [0.02, 0.9])
    relief = np.where(met, np.clip(1.15 - 0.9 * (deep - near) / max(far - near, 2.0), 0.05, 1.2), 0.0)
    image = relief.T[::-1]  # from behind the animal's left is at the left: x falls across

    def place(points: FloatArray) -> FloatArray:
        return np.stack([points[:, 0] - block.low[0], block.axis(1)[-1] - points[:, 1]], axis=1) + block.step / 2

    image = image[:, ::-1]
    width = image.shape[1] * block.step

    def turned(points: FloatArray) -> FloatArray:
        out = place(points)
        out[:, 0] = width - out[:, 0]
        return out

    return Look(
        "The occiput from behind",
        "Relief of the occiput, nearer is brighter; dorsal at the top, the animal's left at the left. The rim of the "
        "foramen magnum, and the breadth across the occipital condyles.",
        image.astype(np.float32),
        block.step,
        (
            ("foramen magnum", turned(np.vstack([rim, rim[:1]]))),
            ("breadth across the condyles", turned(np.array(across.ends))),
        ),
    )


def suture_look(suture: Suture) -> Look | None:
    """The side of the snout laid out, with the line of the suture where it shows."""
    if suture.image is None:
        return None
    image, drawn, left = suture.image, suture.drawn, suture.side == "left"
    if left:  # as seen from outside: front at the left from the animal's left side
        image = np.ascontiguousarray(image[:, ::-1])
        drawn = None if drawn is None else np.array([image.shape[1], 0]) + drawn * [-1, 1]
    lines = () if drawn is None else (("suture of premaxilla and maxilla", drawn * suture.step),)
    return Look(
        f"The {suture.side} side of the snout",
        f"Grey just beneath the outer face of the {suture.side} side of the snout, above the last incisor and the "
        f"tooth behind it; dorsal at the top, front at the {'left' if left else 'right'}."
        + (" The line is the suture." if lines else " No suture shows clearly."),
        image,
        suture.step,
        lines,
    )
