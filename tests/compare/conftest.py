"""Models of practice specimens (invented), made once."""

from __future__ import annotations

import pytest
from known import model

from ossicle.practice.specimen import Anatomy


@pytest.fixture(scope="session")
def adult() -> Anatomy:
    return model("adult")


@pytest.fixture(scope="session")
def juvenile() -> Anatomy:
    return model("juvenile")
