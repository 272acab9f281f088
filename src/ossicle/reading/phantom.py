"""A density phantom in the field of view: rods of hydroxyapatite, and what greys mean by them.

Such rods stand along the scanner's axis through all slices. A rod is found as a disc of pixels whose greys stay the
same from slice to slice; the greys of rods of known density give grey = a + b x density by least squares (calibration
with hydroxyapatite phantoms as usual in microtomography of bone: Bouxsein et al. 2010, J. Bone Miner. Res. 25:1468,
cited from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cc3d
import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_dilation, binary_erosion

from ossicle.errors import OssicleError

from .records import Calibration

__all__ = ["Rod", "calibrated", "find_rods", "rod_mask"]

LEAST_SLICES = 24
"""Slices under which nothing can be said to stay the same along them."""
STAYS = 0.95
"""Share of the slices in which a rod's pixel must lie within `WITHIN` standard deviations of noise of its median."""
WITHIN = 3.5
ROUND = 0.8
"""Least share of its circumscribed circle that a rod's section fills."""
STANDS_OUT = 0.06
"""How far (surround 0, bone 1) the faintest rod stands above what surrounds it."""
FEWEST = 2


@dataclass(frozen=True)
class Rod:
    """A rod along the slices: ``section`` bool (y, x) with its blurred rim, mean ``grey`` (in the units given) well
    inside it, and centre (y, x) in pixels."""

    section: npt.NDArray[np.bool_]
    grey: float
    centre_yx: tuple[float, float]


def find_rods(
    values: npt.NDArray[np.float32], noise: float, grey: npt.NDArray[np.float32] | None = None
) -> tuple[Rod, ...]:
    """Find rods that run along the first axis through all of a volume.

    Parameters
    ----------
    values
        Greys with surround 0 and bone 1, (z, y, x).
    noise
        Their standard deviation of noise.
    grey
        Where the rods' greys are taken from (the same shape); ``values`` where left out.

    Returns
    -------
    tuple of Rod
        Darkest first; none where fewer than two stand there, since a lone one calibrates nothing. A rod as dark as its
        surroundings is not seen.
    """
    if len(values) < LEAST_SLICES:
        return ()
    step = max(1, len(values) // 160)
    few = values[::step]
    middle = np.median(few, axis=0)
    steady = (np.abs(few - middle) < WITHIN * max(noise, 0.01)).mean(axis=0) > STAYS
    standing = steady & (middle > STANDS_OUT) & (middle < 4.0)
    pieces = cc3d.connected_components(standing[None].astype(np.uint8), connectivity=26)[0]
    out = []
    for part in range(1, int(pieces.max()) + 1):
        where = np.argwhere(pieces == part)
        if len(where) < 12:
            continue
        centre = where.mean(axis=0)
        reach = float(np.sqrt(((where - centre) ** 2).sum(axis=1).max())) + 0.5
        if len(where) < ROUND * np.pi * reach**2:
            continue
        inner = binary_erosion(pieces == part, iterations=2 if len(where) > 60 else 1)
        if int(inner.sum()) < 4:
            continue
        source = values if grey is None else grey
        level = float(np.median(source[::step][:, inner].mean(axis=1)))
        section = binary_dilation(pieces == part, iterations=2)
        out.append(Rod(section, level, (float(centre[0]), float(centre[1]))))
    return tuple(sorted(out, key=lambda r: r.grey)) if len(out) >= FEWEST else ()


def rod_mask(rods: Sequence[Rod], shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Return where the rods are, (z, y, x)."""
    mask = np.zeros(shape, np.bool_)
    for rod in rods:
        mask |= rod.section[None]
    return mask


def calibrated(rods: Sequence[Rod], densities: Sequence[float]) -> Calibration:
    """Fit the greys of rods to their densities.

    Parameters
    ----------
    rods
        From `find_rods`, with stored greys.
    densities
        In g/cm3 of hydroxyapatite, in any order. One of density 0 may be named that was not seen, being as
        dark as its surroundings; it is left out of the fit.

    Raises
    ------
    OssicleError
        The rods seen and the densities named do not fit each other.
    """
    known = sorted(float(d) for d in densities)
    greys = sorted(r.grey for r in rods)
    if len(greys) == len(known) - 1 and known[0] == 0:
        known = known[1:]  # plain resin, as dark as what surrounds it
    if len(known) != len(greys) or len(known) < FEWEST:
        raise OssicleError(
            f"{len(greys)} rod{'' if len(greys) == 1 else 's'} of a density phantom were found, {len(densities)} "
            "densities were named",
            where="--phantom",
            mend="name the density of each rod in the field of view in g/cm3, or leave --phantom out",
        )
    slope, zero = np.polyfit(known, greys, 1)
    rest = np.array(greys) - (zero + slope * np.array(known))
    free = max(len(known) - 2, 1)
    error = float(np.sqrt((rest**2).sum() / free)) / max(abs(float(slope)), 1e-12)
    if slope <= 0 or error > 0.25 * (known[-1] - known[0]):
        raise OssicleError(
            "the rods' greys do not rise with the densities named",
            where="--phantom",
            mend="name densities in g/cm3 of hydroxyapatite, for the rods in this scan",
        )
    return Calibration(float(zero), float(slope), error, len(known))
