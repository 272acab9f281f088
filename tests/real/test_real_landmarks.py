"""Shape statistics on published landmarks, against figures computed independently and two other libraries.

Landmarks: Debian's r-cran-shapes. Figures: computed from those landmarks before this code was written, and apart from
it (Dryden & Mardia, Statistical Shape Analysis, print the gorilla test, from memory). Libraries: morphops, ktch.
"""

from __future__ import annotations

import fetched
import numpy as np
import pytest

from ossicle.compare.shape import (
    centroid_size,
    distance,
    goodall,
    hotelling,
    mean_shape,
    permuted,
    superimpose,
)

pytestmark = pytest.mark.real


def pairwise(x: np.ndarray) -> np.ndarray:
    """Distances between all configurations: what no choice of axes changes."""
    return np.sqrt(((x[:, None] - x[None]) ** 2).sum(axis=(2, 3)))


def test_gorillas_as_published() -> None:
    females, males = fetched.landmarks("gorf.dat"), fetched.landmarks("gorm.dat")
    f, m = centroid_size(females), centroid_size(males)
    assert round(f.mean(), 2) == 237.11
    assert round(f.std(ddof=1), 2) == 6.30
    assert round(m.mean(), 2) == 280.99
    assert round(m.std(ddof=1), 2) == 10.29
    assert round(distance(mean_shape(females), mean_shape(males)), 4) == 0.0587
    t2 = hotelling(females, males)
    assert round(t2.statistic, 2) == 26.47
    assert t2.freedom == (12, 46)
    assert t2.p < 1e-12
    assert round(goodall(females, males).statistic, 2) == 22.29


def test_macaques_as_published() -> None:
    females, males = fetched.landmarks("macf.dat"), fetched.landmarks("macm.dat")
    assert round(centroid_size(females).mean(), 2) == 98.13
    assert round(centroid_size(males).mean(), 2) == 112.46
    assert round(distance(mean_shape(females), mean_shape(males)), 4) == 0.0536
    assert round(goodall(females, males).statistic, 2) == 2.39


def test_permutation_is_seeded_and_tells_the_sexes_apart() -> None:
    females, males = fetched.landmarks("gorf.dat"), fetched.landmarks("gorm.dat")
    first = permuted(females, males, draws=199, seed=4)
    assert first == permuted(females, males, draws=199, seed=4)
    assert first.p == 1 / 200
    # halves of one sex, dealt out at random, do not differ
    order = np.random.default_rng(0).permutation(len(females))
    assert permuted(females[order[:15]], females[order[15:]], draws=199, seed=4).p > 0.05


@pytest.mark.parametrize("pair", [("gorf.dat", "gorm.dat"), ("macf.dat", "macm.dat")])
def test_superimposition_agrees_with_other_libraries(pair: tuple[str, str]) -> None:
    morphops = pytest.importorskip("morphops")
    landmark = pytest.importorskip("ktch.landmark")
    x = np.concatenate([fetched.landmarks(name) for name in pair])
    n, p, k = x.shape
    ours = superimpose(x)
    theirs = morphops.gpa(x)
    assert np.allclose(1 / np.asarray(theirs["b"]), ours.sizes, atol=1e-4)  # it gives the scale
    assert distance(theirs["mean"], ours.mean) < 1e-4
    assert np.allclose(pairwise(np.asarray(theirs["aligned"])), pairwise(ours.coordinates), atol=1e-4)
    for scaling, mine in ((True, superimpose(x, full=True)), (False, superimpose(x, scale=False))):
        gpa = landmark.GeneralizedProcrustesAnalysis(n_dim=k, scaling=scaling, tol=1e-12)
        aligned = gpa.fit_transform(x.reshape(n, -1)).reshape(n, p, k)
        assert distance(gpa.mu_.reshape(p, k), mine.mean) < 1e-4
        assert np.allclose(pairwise(aligned), pairwise(mine.coordinates), atol=1e-4)
