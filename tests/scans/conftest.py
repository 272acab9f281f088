"""Small volumes, and `take`: a scan taken in with a cache of its own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ossicle.scans import Scan, load

SPACING = (0.07, 0.05, 0.03)


@pytest.fixture
def volume() -> np.ndarray:
    """Random 16-bit values, three different edges, so that no axis can be taken for another."""
    return np.random.default_rng(7).integers(0, 65536, (6, 11, 13)).astype(np.uint16)


@pytest.fixture
def take(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Scan]:
    """Load with a cache of this test's own."""
    cache = tmp_path_factory.mktemp("cache")

    def run(source: Path, **options: Any) -> Scan:
        return load(source, cache=cache, **options)

    run.cache = cache  # type: ignore[attr-defined]
    return run
