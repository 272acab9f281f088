"""Freed memory stays with the process (mallopt(3), Linux manual pages)."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

FAULTS = """
import resource, sys
import numpy as np
from ossicle.cli.heap import keep_freed
if sys.argv[1] == "kept":
    assert keep_freed()
def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt
np.ones(2_000_000)
before = faults()
for _ in range(50):
    np.ones(2_000_000)
print(faults() - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc can be asked to keep freed memory")
def test_arrays_made_again_take_no_new_pages() -> None:
    def faults(how: str) -> int:
        ran = subprocess.run([sys.executable, "-c", FAULTS, how], capture_output=True, text=True, check=True)
        return int(ran.stdout)

    assert faults("kept") < 0.2 * max(faults("plain"), 100)
