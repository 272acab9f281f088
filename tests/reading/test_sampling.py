"""Voxels drawn between a scan's own are seen, and where none are drawn nothing is said."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, zoom

from ossicle.reading.sampling import coarse_for_teeth, steps_between
from ossicle.reading.survey import survey


def _scan(noise: float, seed: int = 0) -> np.ndarray:
    """Blobs of every size, sharp as a scan is (blur of 0.75 voxels), in noise."""
    rng = np.random.default_rng(seed)
    solid = gaussian_filter(rng.normal(size=(96, 80, 88)), 3.0) > 0.02
    grey = 1000 * gaussian_filter(solid.astype(np.float32), 0.75)
    return (grey + rng.normal(0, noise, solid.shape)).astype(np.float32)


@pytest.mark.parametrize("noise", [1.0, 40.0, 200.0])
@pytest.mark.parametrize("times", [(1, 1, 1), (2, 2, 2), (3, 1, 1.5), (1, 2.2, 3)])
def test_voxels_between_are_counted(times: tuple[float, float, float], noise: float) -> None:
    """scipy.ndimage.zoom by straight lines is the reference: the factor given is the factor found."""
    fine = zoom(_scan(noise), times, order=1)
    assert steps_between(survey(fine)) == pytest.approx(times, rel=0.2)


def test_noise_and_plain_volumes_have_none_between() -> None:
    rng = np.random.default_rng(1)
    assert steps_between(survey(rng.integers(0, 255, (70, 60, 60)).astype(np.uint8))) == (1, 1, 1)
    assert steps_between(survey(np.zeros((64, 64, 64), np.int16))) == (1, 1, 1)
    assert steps_between(survey(np.ones((8, 64, 9), np.int16))) == (1, 1, 1)


def test_crowns_of_few_voxels_are_warned_of() -> None:
    fine, coarse = (0.1, 0.1, 0.1), (0.25, 0.25, 0.25)
    crowns = [0.9, 1.5, 1.6, 1.7, 3.0]
    assert coarse_for_teeth(crowns, fine) is None
    said = coarse_for_teeth(crowns, coarse)
    assert said is not None
    assert "6.4 voxels" in said
    assert coarse_for_teeth([], coarse) is None
    # what counts is the scan's own voxel, whatever its sides
    assert coarse_for_teeth(crowns, (0.05, 0.2, 0.2)) is None
