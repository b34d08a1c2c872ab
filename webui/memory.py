# SPDX-License-Identifier: MIT
"""What glibc does with memory that answers and runs no longer need."""

from __future__ import annotations

import ctypes

# mallopt(3); the numbers of the parameters are malloc.h's.
_ARENA_MAX, _TRIM_THRESHOLD, _MMAP_THRESHOLD = -8, -1, -3
_LARGE_BYTES = 64 * 1024


def return_memory() -> None:
    """Have it given back to the system: one arena for all threads, large blocks mapped each by
    itself. glibc would raise both thresholds by itself, and the page grow by about 1 MB a run.
    Before any thread starts; without effect on another C library."""
    of_c = ctypes.CDLL(None)
    if hasattr(of_c, "mallopt"):
        of_c.mallopt(_ARENA_MAX, 1)
        of_c.mallopt(_TRIM_THRESHOLD, _LARGE_BYTES)
        of_c.mallopt(_MMAP_THRESHOLD, _LARGE_BYTES)
