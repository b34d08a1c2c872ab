# SPDX-License-Identifier: MIT
"""Write a file atomically."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO


@contextlib.contextmanager
def whole_file(path: str | os.PathLike[str], *, lasting: bool = False) -> Iterator[TextIO]:
    """Open a temporary file beside `path` for writing, then move it to `path` once it is complete.

    Raises OSError as open does; until the move, `path` keeps its old content. With `lasting`, the
    file and then the move are synced to disk, so that a power cut leaves either the old file or the
    new one.
    """
    path = Path(path)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            yield file
            if lasting:
                file.flush()
                os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    if lasting:
        folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
