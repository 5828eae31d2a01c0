"""Memory that the C library keeps after Python has freed it.

glibc gives each thread an arena of its own and returns little of it: findings that run on ever
other worker threads would leave their peak behind once for each of them. On other C libraries
nothing is done.

Source: mallopt(3) and malloc_trim(3), Linux man-pages.
"""

from __future__ import annotations

import ctypes
from functools import cache

_ARENA_MAX, _MMAP_THRESHOLD = -8, -3
"""`M_ARENA_MAX` and `M_MMAP_THRESHOLD` of glibc's malloc.h."""
MAPPED_OCTETS = 1 << 20
"""Blocks from which each is mapped by itself, and so given back as soon as it is freed."""


@cache
def _libc() -> ctypes.CDLL | None:
    try:
        libc = ctypes.CDLL(None)
    except (OSError, TypeError):
        return None
    return libc if hasattr(libc, "mallopt") and hasattr(libc, "malloc_trim") else None


def share_one_arena() -> bool:
    """Make all threads allocate from one arena, and map large blocks by themselves.

    Returns:
        True if the C library does so.
    """
    libc = _libc()
    if libc is None:
        return False
    return bool(libc.mallopt(_ARENA_MAX, 1) and libc.mallopt(_MMAP_THRESHOLD, MAPPED_OCTETS))


def return_freed_memory() -> None:
    """Give freed memory back to the system."""
    libc = _libc()
    if libc is not None:
        libc.malloc_trim(0)
