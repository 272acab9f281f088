"""Specimens shared by the tests of the practice generator: built once, on coarse grids."""

from __future__ import annotations

import pytest

from ossicle.practice import Made, build


@pytest.fixture(scope="session")
def juvenile() -> Made:
    """A carnivore-like juvenile with both generations in its jaws."""
    return build("carnivore-like-juvenile", seed=2, voxel_mm=0.17)


@pytest.fixture(scope="session")
def adult() -> Made:
    """An adult metatherian with complete rows."""
    return build("metatherian-adult", seed=4, voxel_mm=0.20)
