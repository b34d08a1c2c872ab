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
    with _moved_to(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        yield file
        if lasting:
            file.flush()
            os.fsync(file.fileno())
    if lasting:
        sync_folder(path.parent)


def put(path: Path, content: bytes) -> None:
    """Write the content to disk, synced, in the same way. Raises OSError."""
    with _moved_to(path) as part, part.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    with contextlib.suppress(OSError):  # not every file system can
        sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make renames in this folder survive a power cut. Raises OSError."""
    opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


@contextlib.contextmanager
def _moved_to(path: Path) -> Iterator[Path]:
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield part
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
