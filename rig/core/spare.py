# SPDX-License-Identifier: MIT
"""A file that reserves space, removed when the disk is full so that an end can still be written."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

FULL = (errno.ENOSPC, errno.EDQUOT)
"""The errors of a full disk and of a used-up quota."""


class Spare:
    """`size` bytes reserved at `path`. Says nothing if the disk has no room for it: it is full."""

    def __init__(self, path: Path, size: int) -> None:
        self._path, self._size = path, size

    def keep(self) -> None:
        """Create the file if it is missing."""
        with contextlib.suppress(OSError):
            fd = os.open(self._path, os.O_WRONLY | os.O_CREAT, 0o600)
            try:
                if os.fstat(fd).st_size < self._size:
                    os.posix_fallocate(fd, 0, self._size)
            finally:
                os.close(fd)

    def give_up(self) -> bool:
        """Remove it; True if it was there, so that another try is worthwhile."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True
