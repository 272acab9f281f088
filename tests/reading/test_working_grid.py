"""The working grid: cropped, coarser or finer than the scan, and back onto the scan's own grid."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import zoom

from ossicle.reading import working_grid as module
from ossicle.reading.working_grid import working_grid


def ball(shape: tuple[int, int, int], centre: tuple[float, float, float], radius: float) -> np.ndarray:
    grid = np.indices(shape) - np.array(centre)[:, None, None, None]
    return np.clip(radius - np.sqrt((grid**2).sum(axis=0)) + 0.5, 0.0, 1.0).astype(np.float32)


@pytest.mark.parametrize(("twice", "factor"), [(190, 1 / 2), (20, 2 / 3)])
def test_a_small_specimen_is_drawn_finer_and_comes_back_where_it_was(
    monkeypatch: pytest.MonkeyPatch, twice: int, factor: float
) -> None:
    scan = ball((64, 60, 70), (30.0, 26.0, 41.0), 15.0)
    monkeypatch.setattr(module, "FINER", ((twice, 2, 1), (260, 3, 2)))
    grid = working_grid(scan * 1000, (0.2, 0.2, 0.2))
    assert grid.factor == factor
    step = 0.2 * factor
    assert grid.spacing_mm_zyx == pytest.approx((step, step, step))
    labels = (grid.grey > 500).astype(np.int32) * 7
    back = grid.full_size(labels)
    assert back.shape == scan.shape
    assert set(np.unique(back)) == {0, 7}
    both = ((back == 7) & (scan > 0.5)).sum()
    assert 2 * both / ((back == 7).sum() + (scan > 0.5).sum()) > 0.98
    # Places: a voxel of the working grid lies where the scan has it.
    middle = np.argwhere(labels > 0).mean(axis=0)[::-1] * step + grid.offset_mm_xyz
    assert middle == pytest.approx(np.array([41.0, 26.0, 30.0]) * 0.2, abs=0.03)


def test_drawn_finer_by_splines_as_scipy_does_it() -> None:
    scan = ball((40, 40, 40), (20.0, 20.0, 20.0), 12.0)
    grid = working_grid(scan, (0.2, 0.2, 0.2))
    cut = scan[tuple(slice(a, a + n // 2) for a, n in zip(grid.start, grid.grey.shape, strict=True))]
    assert np.allclose(grid.grey, zoom(cut, 2, order=3, grid_mode=True, mode="nearest"), atol=1e-6)


def test_a_long_or_large_specimen_keeps_its_voxels(monkeypatch: pytest.MonkeyPatch) -> None:
    scan = ball((64, 60, 70), (30.0, 26.0, 41.0), 15.0)
    monkeypatch.setattr(module, "FINER", ((30, 2, 1),))
    assert working_grid(scan, (0.2, 0.2, 0.2)).factor == 1
    monkeypatch.setattr(module, "FINER", ((300, 2, 1),))
    monkeypatch.setattr(module, "LARGEST", 150_000)
    assert working_grid(scan, (0.2, 0.2, 0.2)).factor == 1
    monkeypatch.setattr(module, "LARGEST", 20_000)
    assert working_grid(scan, (0.2, 0.2, 0.2)).factor == 2


@pytest.mark.parametrize(("largest", "factor"), [(26_000_000, 0.5), (400_000, 2 / 3), (100_000, 1), (20_000, 2)])
def test_a_truth_of_the_scan_lies_where_the_working_grid_sees_it(
    monkeypatch: pytest.MonkeyPatch, largest: int, factor: float
) -> None:
    scan = ball((64, 60, 70), (30.0, 26.0, 41.0), 15.0)
    monkeypatch.setattr(module, "LARGEST", largest)
    grid = working_grid(scan, (0.2, 0.2, 0.2))
    assert grid.factor == factor
    truth = grid.of_scan(scan > 0.5)
    assert truth.shape == grid.grey.shape
    seen = grid.grey > 0.5
    assert 2 * (truth & seen).sum() / (truth.sum() + seen.sum()) > 0.95


def test_mixed_cubes_take_their_commonest_label() -> None:
    cube = np.array([3, 3, 0, 3, 5, 5, 0, 3], np.int32).reshape(2, 2, 2)
    assert module._commonest(cube).item() == 3
