"""What the tests of training share: a block with two teeth, and balls, whose truth is known by construction."""

from typing import Any

import numpy as np
from benchmarks.training import patches
from benchmarks.training.arrays import CLOSE, ENAMEL_BIT, NUMBER, Prepared
from benchmarks.training.patches import Motion, take, targets
from benchmarks.training.specimens import Volumes
from scipy.ndimage import gaussian_filter

TEETH: tuple[dict[str, Any], ...] = (
    {"label": 11, "emergence": "erupted", "generation": "deciduous", "class": "premolar"},
    {"label": 12, "emergence": "in_crypt", "generation": "unreplaced", "class": "molar"},
)
AIR, BONE, DENTINE, ENAMEL = 0, 2, 3, 4


def toy(side: int = 48) -> Volumes:
    """A block of bone (label 1) that holds two teeth with enamel on one end; bone twice as bright as air."""
    labels = np.zeros((side, side, side), np.int32)
    labels[4:28, 6:42, 5:43] = 1
    tissue = np.where(labels == 1, BONE, AIR).astype(np.uint8)
    for label, x in ((11, 8), (12, 26)):
        labels[8:44, 10:24, x : x + 14] = label
        tissue[8:32, 10:24, x : x + 14] = DENTINE
        tissue[32:44, 10:24, x : x + 14] = ENAMEL
    grey = np.array([1000, 1000, 2000, 2200, 3200], np.float32)[tissue]
    grey = gaussian_filter(grey, 0.7) + np.random.default_rng(0).normal(0, 20, grey.shape).astype(np.float32)
    return Volumes(grey.astype(np.float32), labels, tissue, TEETH, (0.1, 0.1, 0.1))


def dice(one: np.ndarray, other: np.ndarray) -> float:
    """Dice coefficient of two masks."""
    return float(2 * (one & other).sum() / (one.sum() + other.sum()))


def ball(side: int, centre: tuple[float, float, float] | np.ndarray, radius: float) -> np.ndarray:
    off = (np.indices((side,) * 3).T - np.array(centre)).T
    return np.linalg.norm(off, axis=0) <= radius


def balls() -> Prepared:
    """Two balls of unlike grey in the middle of 60 voxels; the first has a smaller ball of enamel in it."""
    side = 60
    one, two = ball(side, (27.0, 30.0, 23.0), 6.0), ball(side, (32.0, 28.0, 37.0), 5.0)
    truth = (one * 1 + two * 2).astype(np.uint16)
    truth[ball(side, (27.0, 30.0, 23.0), 4.0)] |= ENAMEL_BIT
    truth[two] |= CLOSE
    teeth = np.array([[0, 0, 0, -1, -1], [27, 30, 23, 1, 2], [32, 28, 37, 0, 3]], np.float32)
    grey = (one * 1.5 + two * 1.0).astype(np.float16)
    inside = np.argwhere((truth & NUMBER) > 0).astype(np.int16)
    return Prepared(np.stack([grey, 2 * grey]), truth, teeth, inside, inside)


def moved(s: Prepared, motion: Motion, at: tuple[int, int, int] = (30, 30, 30), side: int = 44) -> patches.Patch:
    grey, truth, centres = take(s.greys[0], s.truth, s.teeth[:, :3], at, motion, side)
    return targets(grey, truth, centres, s.teeth)
