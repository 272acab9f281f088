"""Memory that is let go stays with the process for the next array.

A reading makes and drops arrays of a few MB by the thousand. By default the C library gives each back to the system at
once, and the system must clear its pages when the next is made: a sixth of a reading's processor time at 256^3.
"""

from __future__ import annotations

import ctypes
import platform

__all__ = ["keep_freed"]

TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3  # names of malloc.h
KEPT_BYTES = 256 << 20
MAPPED_ABOVE_BYTES = 32 << 20  # the most that glibc takes


def keep_freed() -> bool:
    """Have the allocator keep up to 256 MB of freed memory; arrays above 32 MB still go back at once.

    Returns whether that could be asked for: only with glibc (mallopt(3), Linux manual pages), else nothing is done.
    """
    if platform.libc_ver()[0] != "glibc":
        return False
    mallopt = ctypes.CDLL(None).mallopt
    return bool(mallopt(MMAP_THRESHOLD, MAPPED_ABOVE_BYTES) and mallopt(TRIM_THRESHOLD, KEPT_BYTES))
