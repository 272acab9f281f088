"""Measuring one phantom tooth."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from ossicle.reading.measures import ToothMeasures, measure_all

from .phantom import DENTINE, ENAMEL, ROW, Scanned, scan_tooth

Measured = tuple[Scanned, ToothMeasures]


@pytest.fixture(scope="session")
def measured() -> Callable[..., Measured]:
    """Scan a phantom with the given parameters and measure it; every set of parameters once."""
    kept: dict[str, Measured] = {}

    def run(**parameters: Any) -> Measured:
        key = repr(sorted(parameters.items()))
        if key not in kept:
            scan = scan_tooth(**parameters)
            found = measure_all(
                scan.labels,
                scan.grey,
                ENAMEL,
                parameters.get("noise", 0.08),
                scan.spacing,
                scan.to_skull,
                {1: ("lower", "left")},
                {("lower", "left"): ROW},
                {1: 0.9},
                dentine=DENTINE,
                blur=parameters.get("blur", 0.9),
            )
            kept[key] = (scan, found[0])
        return kept[key]

    return run
