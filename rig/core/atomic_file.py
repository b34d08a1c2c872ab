# SPDX-License-Identifier: MIT
"""A file that is there in whole or not at all."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO


@contextlib.contextmanager
def whole_file(path: str | os.PathLike[str], *, lasting: bool = False) -> Iterator[TextIO]:
    """Open for writing beside `path`, moved to it once everything is written.

    Raises OSError as open does; what was at `path` stays until then. `lasting`: on the disk before
    it is moved, and the move too, so that a power cut leaves the old file or the new one.
    """
    path = Path(path)
    part = path.with_name(f".{path.name}.part")
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
