from __future__ import annotations

import pytest
from sketch import ADULT, MADE_BY, empty_reading, scan_facts, sketch_reading

from ossicle.account import Account, build_account
from ossicle.reading.records import Reading


@pytest.fixture(scope="session")
def juvenile() -> Reading:
    return sketch_reading()


@pytest.fixture(scope="session")
def adult() -> Reading:
    return sketch_reading(*ADULT, pictures=False)


@pytest.fixture(scope="session")
def nothing() -> Reading:
    return empty_reading()


@pytest.fixture(scope="session")
def juvenile_account(juvenile: Reading) -> Account:
    return build_account(juvenile, scan_facts(), MADE_BY)


@pytest.fixture(scope="session")
def nothing_account(nothing: Reading) -> Account:
    return build_account(nothing, scan_facts(), MADE_BY)
