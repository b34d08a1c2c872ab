# SPDX-License-Identifier: MIT
"""A file that only takes up room, given up when the disk is full, so that an end can be written."""

from __future__ import annotations

import contextlib
import errno
import os
from pathlib import Path

FULL = (errno.ENOSPC, errno.EDQUOT)
"""What a disk without room, and a share of it that is used up, answer."""


class Spare:
    """`size` bytes kept free at `path`. A disk that has no room for it is not said: it is full."""

    def __init__(self, path: Path, size: int) -> None:
        self._path, self._size = path, size

    def keep(self) -> None:
        """Make the file where it is not there."""
        with contextlib.suppress(OSError):
            fd = os.open(self._path, os.O_WRONLY | os.O_CREAT, 0o600)
            try:
                if os.fstat(fd).st_size < self._size:
                    os.posix_fallocate(fd, 0, self._size)
            finally:
                os.close(fd)

    def give_up(self) -> bool:
        """Remove it; whether it was there, and another try is worth while."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True
