"""What gives a cranium its relief: orbits, processes of the jugal, paroccipital processes, infraorbital foramina.

Places follow from the rest of the design: an orbit lies above the front root of the zygomatic arch, between snout and
braincase, as in any mammal.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.practice.growth import Proportions
from ossicle.practice.shapes import Solid, chain, ellipsoid

__all__ = ["infraorbital_canal", "jugal_process", "orbit", "paroccipital", "rounded"]

Vec = NDArray[np.float64]
MIRROR = np.array([-1.0, 1.0, 1.0])


def _side(points: Any, side: float) -> Vec:
    p: Vec = np.asarray(points, dtype=float)
    return p if side > 0 else p * MIRROR


def _hull(shape: Vec, z: float) -> tuple[float, float, float]:
    """Top, bottom and half width of the hull at a z of the adult design."""
    top, bottom, half = (float(np.interp(z, shape[::-1, 0], shape[::-1, i])) for i in (1, 2, 3))
    return top, bottom, half


def _eye(c: Mapping[str, Any], shape: Vec) -> tuple[Vec, Vec]:
    """Centre and half axes of the left orbit in the adult design."""
    root, brain = np.asarray(c["arch"], dtype=float)[0], float(c["brain"][0])
    z = 0.5 * (root[2] + brain) - 0.2
    top, _, half = _hull(shape, z)
    low = float(root[1]) + 1.0
    high = 0.93 * top
    centre = np.array([half + 0.7, 0.5 * (low + high), z])
    depth = 0.24 * half + 0.7
    return centre, np.array([depth, 0.46 * (high - low), max(2.0, 0.5 * (root[2] - brain) + 0.7)])


def orbit(c: Mapping[str, Any], grow: Proportions, age: float, shape: Vec, side: float) -> Solid:
    """The hollow of one orbit; those of the young are large for the face."""
    centre, radii = _eye(c, shape)
    size = float(grow.scale(centre[2])) * (1.0 + 0.08 * (1.0 - min(age, 1.0)))
    return ellipsoid(_side(grow.point(centre), side), radii * size)


def jugal_process(c: Mapping[str, Any], grow: Proportions, age: float, shape: Vec, side: float) -> Solid:
    """The frontal process of the jugal, behind the orbit; with ``postorbital_bar`` it meets the frontal's."""
    arch = np.asarray(c["arch"], dtype=float)
    centre, radii = _eye(c, shape)
    z = centre[2] - 0.95 * radii[2]
    x, y = (float(np.interp(z, arch[::-1, 2], arch[::-1, i])) for i in (0, 1))
    size = float(grow.scale(z))
    if c.get("postorbital_bar"):
        tip, ends = np.asarray(c["postorbital"], dtype=float), (0.6, 0.42, 0.45)
        way = [[x, y, tip[2]], 0.5 * (np.array([x, y, tip[2]]) + tip) + [0.25, 0.0, 0.0], tip]
    else:
        high = 1.5 * (0.5 + 0.5 * min(age, 1.0))
        way, ends = [[x, y, z], [x - 0.05, y + 0.6 * high, z - 0.1], [x - 0.2, y + high, z - 0.3]], (0.65, 0.45, 0.12)
    return chain(_side(grow.point(np.array(way)), side), [r * size for r in ends], squash=(0.7, 1, 1), smooth=2)


def paroccipital(c: Mapping[str, Any], grow: Proportions, side: float) -> Solid:
    """The paroccipital process, behind the ear region."""
    x, y, z, _, ry, rz = (float(v) for v in c["bulla"])
    back = z - rz - 0.35
    way = [[0.92 * x, y + 2.6, back + 0.2], [0.9 * x, y + 0.7, back], [0.86 * x, y - 0.25 * ry, back + 0.15]]
    size = float(grow.brain)
    return chain(_side(grow.point(np.array(way)), side), [0.85 * size, 0.5 * size, 0.22 * size], smooth=2)


def infraorbital_canal(c: Mapping[str, Any], grow: Proportions, shape: Vec, side: float) -> Solid:
    """From the orbit forwards through the root of the arch, to its foramen on the side of the snout."""
    root = np.asarray(c["arch"], dtype=float)[0]
    way = []
    for ahead, out, up in ((-2.6, 0.1, 1.5), (0.2, -0.55, 1.6), (1.9, -0.5, 1.7), (3.0, 0.7, 1.8)):
        z = float(root[2]) + ahead
        way.append([_hull(shape, z)[2] + out, float(root[1]) + up, z])
    size = float(grow.scale(root[2]))
    return chain(_side(grow.point(np.array(way)), side), [0.42 * size, 0.4 * size, 0.42 * size, 0.6 * size], smooth=2)


def rounded(outline: Any, rounds: int = 2) -> Vec:
    """A closed polygon (n, 2) with its corners cut (Chaikin 1974), as bone has no corners."""
    p: Vec = np.asarray(outline, dtype=float)
    for _ in range(rounds):
        after = np.roll(p, -1, axis=0)
        p = np.stack([0.85 * p + 0.15 * after, 0.15 * p + 0.85 * after], axis=1).reshape(-1, 2)
    return p
