"""For every test: the files that take longest go first, and interruption works wherever the run was started from."""

from __future__ import annotations

import signal

import pytest

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # as a shell's ``&`` leaves it
    signal.signal(signal.SIGINT, signal.default_int_handler)

LONGEST = (
    "practice/test_practice_truth.py",
    "whole/",
    "reading/naming/",
    "practice/test_practice_faults.py",
    "real/",
    "desk/browser/",
    "docs/test_guides.py",
)
"""Begun first, so that at the end no worker is left alone with a long file (longest first: common practice)."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    def place(item: pytest.Item) -> int:
        path = item.nodeid.removeprefix("tests/")
        return next((i for i, name in enumerate(LONGEST) if path.startswith(name)), len(LONGEST))

    items.sort(key=place)
