"""A suture as a dark line on the side of a snout, in closed form."""

import numpy as np
import pytest

from ossicle.reading.structures.loci import StandingTooth
from ossicle.reading.structures.sutures import darkest_way, read_suture

from .phantoms import box, space_of

STEP = 0.1


def tooth(name: str, kind: str, z: float) -> StandingTooth:
    neck = np.array([1.6, 0.0, z])
    room = np.array([0.4, 0.5, 0.4])
    ends = [neck + s * room for s in (-1, 1)] * 3
    return StandingTooth(1, name, "upper", "left", kind, 3, ends[0], ends[1], neck, *ends[2:6], True)  # type: ignore[arg-type]


TEETH = [tooth("I3", "incisor", 2.0), tooth("C", "canine", -0.6)]


def snout(width: float, depth: float, noise: float = 0.04, seed: int = 0):
    """A block of bone whose outer face is at x = 2; a slit of ``width`` mm, by ``depth`` of bone's grey darker, climbs
    it from z = 0.8 with a slope of a half."""
    space = space_of(box([-2, -2, -4], [2, 6, 3]), [-2.6, -2.6, -4.5], [2.6, 6.6, 3.5], STEP, noise=noise, seed=seed)
    index = np.stack(np.meshgrid(*(np.arange(n) for n in space.values.shape), indexing="ij"), axis=-1)
    at = space.skull_mm(index)
    off = np.abs(at[..., 2] - 0.8 + 0.5 * at[..., 1]) / np.hypot(1, 0.5)
    share = np.clip(0.5 - (off - width / 2) / STEP, 0, 1)
    space.values[...] -= (depth * share * (space.values > 0.5)).astype(np.float32)
    return space


def test_a_slit_between_incisor_and_canine_is_a_suture() -> None:
    found = read_suture(snout(0.15, 0.5), 1, TEETH, "left")
    assert found is not None
    assert found.points is not None, found.reason
    assert found.dip is not None
    assert found.dip > 0.1
    off = np.abs(found.points[:, 2] - 0.8 + 0.5 * found.points[:, 1]) / np.hypot(1, 0.5)
    assert np.median(off) < STEP
    assert found.drawn is not None
    assert len(found.drawn) == len(found.points)


@pytest.mark.parametrize("seed", range(3))
def test_noise_alone_is_no_suture(seed: int) -> None:
    found = read_suture(snout(0.0, 0.0, 0.06, seed), 1, TEETH, "left")
    assert found is not None
    assert found.points is None
    assert "fused, or closer than the voxels show" in found.reason


def test_without_an_incisor_nothing_is_said() -> None:
    assert read_suture(snout(0.15, 0.5), 1, TEETH[1:], "left") is None
    assert read_suture(snout(0.15, 0.5), 1, TEETH, "right") is None


def test_the_darkest_way_of_a_small_image() -> None:
    """By hand: from columns 1 or 2 of row 0 up to row 2, least sum 1 + 0 + 2."""
    dark = np.array([[0.0, 5.0, 1.0, 9.0], [0.0, 7.0, 8.0, 6.0], [9.0, 2.0, 9.0, 3.0]])
    way, mean = darkest_way(dark, slice(1, 3), 3)
    assert list(way) == [2, 0, 1]
    assert mean == pytest.approx(1.0)
