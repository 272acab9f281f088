"""What the voxels of a tooth say of it: where its centre lies, whether it is deciduous, of what class it is."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

__all__ = ["Said", "Votes", "said"]

FloatArray = npt.NDArray[np.float32]


@dataclass(frozen=True)
class Votes:
    """What voxels of teeth say of their tooth, one row a voxel.

    ``index`` flat indices into the volume, rising; ``centre`` (n, 3) the voxel (z, y, x) each points to; ``deciduous``
    the chance to be of a deciduous tooth; ``form`` (n, 4) the chances of incisor, canine, premolar, molar.
    """

    index: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    centre: FloatArray = field(default_factory=lambda: np.zeros((0, 3), np.float32))
    deciduous: FloatArray = field(default_factory=lambda: np.zeros(0, np.float32))
    form: FloatArray = field(default_factory=lambda: np.zeros((0, 4), np.float32))


@dataclass(frozen=True)
class Said:
    """Means of `Votes` by label (row 0 is none), float64.

    ``count`` voxels that voted; ``centre`` (n, 3) voxels (z, y, x); ``spread`` the root mean square distance of the
    votes from it, voxels; ``deciduous`` and ``form`` (n, 4) chances. Where none voted: the volume's origin, 0, and even
    chances.
    """

    count: npt.NDArray[np.int64]
    centre: npt.NDArray[np.float64]
    spread: npt.NDArray[np.float64]
    deciduous: npt.NDArray[np.float64]
    form: npt.NDArray[np.float64]


def said(labels: npt.NDArray[np.int32], votes: Votes) -> Said:
    """Return what the voxels of each label of ``labels`` (z, y, x) say on the whole."""
    top = int(labels.max(initial=0)) + 1
    label = labels.ravel()[votes.index]
    count = np.bincount(label, minlength=top)
    some = np.maximum(count, 1)

    def mean(values: FloatArray) -> npt.NDArray[np.float64]:
        return np.bincount(label, values, minlength=top) / some

    centre = np.stack([mean(votes.centre[:, k]) for k in range(3)], axis=1)
    off = ((votes.centre - centre[label]) ** 2).sum(axis=1)
    form = np.stack([mean(votes.form[:, k]) for k in range(4)], axis=1)
    deciduous = mean(votes.deciduous)
    form[count == 0], deciduous[count == 0] = 0.25, 0.5
    return Said(count, centre, np.sqrt(mean(off)), deciduous, form)
