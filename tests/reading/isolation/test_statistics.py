"""Noise, blur and levels of volumes made with known ones."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from ossicle.reading.statistics import block_moments, edge_blur, levels, noise_of
from ossicle.reading.working_grid import working_grid


def skull_like(noise: float, blur: float = 0.9, fluid: float | None = None, seed: int = 0) -> np.ndarray:
    """A shell of bone (10000) with ribs and enamel (17000) in air (1000) or fluid, blurred and noisy."""
    z, y, x = (np.mgrid[:90, :80, :80] - 40).astype(np.float32)
    r = np.sqrt(z**2 + y**2 + x**2)
    volume = np.full(r.shape, 1000.0 if fluid is None else fluid, np.float32)
    volume[(r < 34) & (r > 28)] = 10000
    volume[(np.abs(x) < 3) & (r < 30)] = 10000
    for k in range(6):
        volume[(z - 36) ** 2 + (y - 8 * k + 20) ** 2 + x**2 < 12] = 17000
    rng = np.random.default_rng(seed)
    return gaussian_filter(volume, blur) + rng.normal(0, noise, volume.shape).astype(np.float32)


def test_block_moments_are_numpys() -> None:
    volume = np.random.default_rng(1).normal(5, 2, (9, 10, 11)).astype(np.float32)
    mean, spread = block_moments(volume, 4)
    first = volume[:4, :4, :4].astype(float)
    assert len(mean) == 2 * 2 * 2
    assert mean[0] == pytest.approx(first.mean(), rel=1e-5)
    assert spread[0] == pytest.approx(first.std(), rel=1e-3)


@pytest.mark.parametrize("noise", [100.0, 400.0, 900.0])
def test_noise_as_made(noise: float) -> None:
    assert noise_of(skull_like(noise)) == pytest.approx(noise, rel=0.1)


@pytest.mark.parametrize("blur", [0.7, 1.0, 1.5])
def test_blur_as_made(blur: float) -> None:
    assert edge_blur(skull_like(100.0, blur), 1000, 10000) == pytest.approx(blur, rel=0.2)


@pytest.mark.parametrize("noise", [100.0, 500.0])
def test_levels_of_a_dry_specimen(noise: float) -> None:
    smooth = gaussian_filter(skull_like(noise), 0.6)
    found = levels(smooth, noise_of(smooth))
    assert found.separable
    assert found.surround == pytest.approx(1000, abs=400)
    assert found.bone == pytest.approx(10000, rel=0.08)
    assert found.cut == pytest.approx((found.surround + found.bone) / 2)


def test_levels_scale_with_the_greys() -> None:
    smooth = gaussian_filter(skull_like(200.0), 0.6)
    a = levels(smooth, noise_of(smooth))
    b = levels(smooth * 3 + 700, noise_of(smooth * 3 + 700))
    for name in ("air", "surround", "bone", "cut"):
        assert getattr(b, name) == pytest.approx(3 * getattr(a, name) + 700, rel=0.02)


def test_soft_tissue_round_thin_bone_is_not_bone() -> None:
    """A head: air, much soft tissue, little bone (the coarse head of tests/real is such a one)."""
    z, y, x = (np.mgrid[:60, :60, :60] - 30).astype(np.float32)
    r = np.sqrt(z**2 + y**2 + x**2)
    volume = np.zeros(r.shape, np.float32)
    volume[r < 26] = 1000
    volume[(r < 22) & (r > 18.5)] = 2200
    smooth = gaussian_filter(volume, 0.9) + np.random.default_rng(0).normal(0, 20, r.shape).astype(np.float32)
    found = levels(smooth, noise_of(smooth))
    assert found.surround == pytest.approx(1000, rel=0.1)
    assert found.bone > 1800


def test_noise_alone_and_a_constant_are_not_separable() -> None:
    noise = np.random.default_rng(0).normal(0, 1, (40, 40, 40)).astype(np.float32)
    smooth = gaussian_filter(noise, 0.6)
    assert not levels(smooth, noise_of(smooth)).separable
    assert not levels(np.ones((20, 20, 20), np.float32), 0.0).separable


def test_working_grid_holds_the_specimen_and_leads_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ossicle.reading.working_grid.FINER", ((20, 2, 1),))
    volume = np.zeros((120, 100, 90), np.uint16)
    volume[40:90, 30:70, 20:60] = 1000
    grid = working_grid(volume, (0.1, 0.2, 0.3))
    assert grid.factor == 1
    labels = (grid.grey > 500).astype(np.int32) * 7
    np.testing.assert_array_equal(grid.full_size(labels) == 7, volume == 1000)
    assert grid.grey.size < 0.8 * volume.size
    first = np.argwhere(labels)[0][::-1] * np.array(grid.spacing_mm_zyx[::-1]) + grid.offset_mm_xyz
    np.testing.assert_allclose(first, np.array([20 * 0.3, 30 * 0.2, 40 * 0.1]))
    assert not grid.at_scan_edge(labels, 7)


def test_working_grid_of_a_fine_scan_is_coarser(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ossicle.reading.working_grid.LARGEST", 20_000)
    volume = np.zeros((80, 80, 80), np.uint16)
    volume[20:60, 20:60, 20:60] = 1000
    grid = working_grid(volume, (0.1, 0.1, 0.1))
    assert grid.factor > 1
    assert grid.spacing_mm_zyx == pytest.approx((0.1 * grid.factor,) * 3)
    back = grid.full_size((grid.grey > 500).astype(np.int32))
    assert back.shape == volume.shape
    assert (back == (volume == 1000)).mean() > 0.93
    centre = np.argwhere(grid.grey > 500).mean(axis=0)[::-1] * np.array(grid.spacing_mm_zyx[::-1]) + grid.offset_mm_xyz
    np.testing.assert_allclose(centre, 3.95, atol=0.15)
