# SPDX-License-Identifier: MIT
"""Open the small files of a rig's state folder without waiting for what was put in their place.

A name that leads to a pipe or a device would hold up `rig safe` or a bench for ever, or fill its
memory; a link to a medium that is not there would pass for a file that was never written.
"""

from __future__ import annotations

import errno
import fcntl
import os
import stat
import time
from pathlib import Path

LARGEST_BYTES = 4 << 20


def read_kept(path: Path) -> bytes:
    """The content of the plain file at `path`. Raises FileNotFoundError only if nothing has that
    name, and OSError for everything that is no plain file or cannot be read."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except FileNotFoundError:
        if path.is_symlink():
            raise OSError(errno.EIO, "it is a link to something that is not there") from None
        raise
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise OSError(errno.EINVAL, "it is no plain file")
        with os.fdopen(fd, "rb", closefd=False) as file:
            return file.read(LARGEST_BYTES)
    finally:
        os.close(fd)


def open_lock(path: Path, *, create: bool = True) -> int:
    """A descriptor of the lock file at `path`. Raises OSError, also if a link has that name: two
    names of one lock, or a lock elsewhere, would be none."""
    flags = os.O_RDWR | os.O_CREAT if create else os.O_RDONLY
    return os.open(path, flags | os.O_NOFOLLOW | os.O_NONBLOCK, 0o666)


def lock_within(fd: int, seconds: float) -> bool:
    """Lock `fd` against all other descriptors (flock(2)); False if another holds it for longer."""
    until = time.monotonic() + seconds
    while True:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > until:
                return False
            time.sleep(0.01)
        else:
            return True
