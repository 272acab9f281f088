"""Hydroxyapatite rods of known density that stand in the field of view beside the specimen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.practice.scanner.materials import AIR, FLUID, FOAM, PHANTOM_DENSITIES, PHANTOM_FIRST
from ossicle.practice.scanner.sampling import Model

__all__ = ["PhantomRod", "footprint", "placed", "rod_fraction"]


@dataclass(frozen=True)
class PhantomRod:
    """A rod along z: centre in scan mm, radius in mm, hydroxyapatite in g/cm3, tissue id of its material."""

    centre_mm_xy: tuple[float, float]
    radius_mm: float
    density: float
    tissue: int


def footprint(model: Model) -> NDArray[np.bool_]:
    """Return where any slice of the scan holds more than air, fluid or foam: shape (y, x)."""
    if model.tissue is not None:
        held = np.zeros(model.tissue.shape[1:], dtype=bool)
        for layer in model.tissue:
            held |= ~np.isin(layer, (AIR, FLUID, FOAM))
    else:
        solid = [share for key, share in model.fractions.items() if key not in (AIR, FLUID, FOAM)]
        held = np.zeros(next(iter(model.fractions.values())).shape[1:], dtype=bool)
        for share in solid:
            held |= share.max(axis=0) > 0.01
    _, ny, nx = model.shape
    _, fy, fx = model.factor
    return np.asarray(held.reshape(ny, fy, nx, fx).any(axis=(1, 3)))


def placed(held: NDArray[np.bool_], spacing_yx: tuple[float, float]) -> tuple[PhantomRod, ...]:
    """Return rods placed in the free part of the field, just inside the circle of full view.

    Raises
    ------
    OssicleError
        If the specimen leaves no room for them.
    """
    ny, nx = held.shape
    sy, sx = spacing_yx
    middle = ((nx - 1) / 2 * sx, (ny - 1) / 2 * sy)
    width = min(ny * sy, nx * sx)
    y, x = np.mgrid[0:ny, 0:nx].astype(np.float32)
    for radius in (0.04 * width, 0.025 * width, 0.015 * width):
        ring = 0.49 * width - radius
        rods: list[PhantomRod] = []
        for angle in np.deg2rad(np.arange(0.0, 360.0, 3.0)):
            centre = (middle[0] + ring * float(np.cos(angle)), middle[1] + ring * float(np.sin(angle)))
            near = np.hypot(x * sx - centre[0], y * sy - centre[1]) <= 1.2 * radius
            apart = all(
                np.hypot(centre[0] - r.centre_mm_xy[0], centre[1] - r.centre_mm_xy[1]) > 3 * radius for r in rods
            )
            if apart and not held[near].any():
                index = len(rods)
                rods.append(PhantomRod(centre, radius, PHANTOM_DENSITIES[index], PHANTOM_FIRST + index))
                if len(rods) == len(PHANTOM_DENSITIES):
                    return tuple(rods)
    raise OssicleError(
        "the specimen leaves no room for the phantom", where="phantom", mend="pad the model at its sides"
    )


def rod_fraction(rod: PhantomRod, shape_yx: tuple[int, int], spacing_yx: tuple[float, float]) -> NDArray[np.float32]:
    """Return the share of each pixel (y, x) that a rod fills."""
    fine = (np.arange(4) - 1.5) / 4
    y = (np.arange(shape_yx[0])[:, None] + fine).ravel() * spacing_yx[0] - rod.centre_mm_xy[1]
    x = (np.arange(shape_yx[1])[:, None] + fine).ravel() * spacing_yx[1] - rod.centre_mm_xy[0]
    inside = np.hypot(y[:, None], x[None, :]) <= rod.radius_mm
    blocks = inside.reshape(shape_yx[0], 4, shape_yx[1], 4)
    return np.asarray(blocks.mean(axis=(1, 3)), dtype=np.float32)
