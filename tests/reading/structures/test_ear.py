"""Turns and length of coiled canals in closed form, and when a stapes may be called absent."""

import edt
import numpy as np
import pytest

from ossicle.reading.structures.cochlea import coil_of_points, turns_of_coil, turns_of_line
from ossicle.reading.structures.ossicles import strut_resolved


def coil(turns: float, step: float, radius: float = 0.2, pitch: float = 0.62):
    """A canal that winds and narrows towards its apex, as cells of a grid."""
    t = np.linspace(0, 1, int(120 * turns))
    angle = 2 * np.pi * turns * t
    bend = 1.0 * (1 - 0.45 * t)
    line = np.stack([bend * np.cos(angle), bend * np.sin(angle), pitch * turns * t], axis=1)
    low, high = line.min(0) - 0.5, line.max(0) + 0.5
    axes = [np.arange(a, b, step) for a, b in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    from scipy.spatial import cKDTree

    distance, nearest = cKDTree(line).query(grid.reshape(-1, 3))
    mask = (distance < radius * (1 - 0.4 * t[nearest])).reshape(grid.shape[:3])
    depth = edt.edt(mask)[mask] * step
    return grid[mask], depth, line[0]


@pytest.mark.parametrize("turns", [1.2, 1.9, 2.5, 3.3])
def test_turns(turns: float) -> None:
    step = 0.05
    points, depth, start = coil(turns, step)
    found, why = turns_of_coil(points, depth, start, step)
    assert found is not None, why
    assert found.value == pytest.approx(turns, abs=0.25)


def test_turns_do_not_depend_on_the_pose() -> None:
    points, depth, start = coil(2.5, 0.05)
    turned = points @ np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    first = int(np.argmin(np.linalg.norm(points - start, axis=1)))
    a, b = turns_of_coil(points, depth, start, 0.05)[0], turns_of_coil(turned, depth, turned[first], 0.05)[0]
    assert a is not None
    assert b is not None
    assert b.value == pytest.approx(a.value, abs=0.02)


def test_a_straight_canal_has_no_turns() -> None:
    z = np.arange(0, 4, 0.05)
    points = np.stack(np.meshgrid([-0.05, 0, 0.05], [-0.05, 0, 0.05], z, indexing="ij"), axis=-1).reshape(-1, 3)
    found, why = turns_of_coil(points, np.full(len(points), 0.1), np.zeros(3), 0.05)
    assert found is None
    assert why


def test_a_strut_thinner_than_two_voxels_is_not_called_absent() -> None:
    assert strut_resolved(0.5, 0.05) == (True, "")
    resolved, why = strut_resolved(0.5, 0.11)
    assert not resolved
    assert "1.4 voxels" in why


def test_turns_and_length_of_a_helix() -> None:
    """A helix of radius 1 and rise 0.5 a turn: length 2 pi n sqrt(1 + (0.5 / 2 pi)^2)."""
    turns, rise = 2.25, 0.5
    t = np.linspace(0, 2 * np.pi * turns, 400)
    line = np.stack([np.cos(t), np.sin(t), rise * t / (2 * np.pi)], axis=1)
    found, why = turns_of_line(line, 0.03)
    assert found is not None, why
    assert found[0].value == pytest.approx(turns, abs=0.03)
    assert found[1].value == pytest.approx(2 * np.pi * turns * np.hypot(1, rise / (2 * np.pi)), rel=0.01)


@pytest.mark.parametrize("wall", [0.35, 0.6])
def test_thin_walls_are_not_cut_across(wall: float) -> None:
    """Walls between turns that hardly show (grey ``wall``) still make the way round cheaper than the way through."""
    step, turns = 0.06, 2.6
    t = np.linspace(0, 1, 400)
    angle, bend = 2 * np.pi * turns * t, 1.0 * (1 - 0.5 * t)
    line = np.stack([bend * np.cos(angle), bend * np.sin(angle), 0.5 * turns * t], axis=1)
    axes = [np.arange(a, b, step) for a, b in zip(line.min(0) - 0.3, line.max(0) + 0.3, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    from scipy.spatial import cKDTree

    off = cKDTree(line).query(grid)[0]
    grey = np.where(off < 0.16, 0.05, np.where(off < 0.26, wall, 1.0))
    dark = grey < 0.62
    found, why = coil_of_points(grid[dark], grey[dark], line[0], step)
    assert found is not None, why
    assert found[0].value == pytest.approx(turns, abs=0.2)
    true = float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())
    assert found[1].value == pytest.approx(true, rel=0.1)
