# SPDX-License-Identifier: MIT
"""The next place for a run's raw file, once its own cannot be written."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from pathlib import Path

from rig.core.errors import StorageError
from rig.recorder.raw_file import RawFile
from rig.runlog.header import RunHeader


def other_places() -> list[Path]:
    """Home, then /tmp."""
    found = []
    with contextlib.suppress(RuntimeError):  # no home directory is known
        found.append(Path.home())
    return [*found, Path("/tmp")]  # noqa: S108 - the file is made anew, never opened


def open_elsewhere(header: RunHeader, path: Path, lines: Sequence[bytes]) -> RawFile | None:
    """Create a synced raw file with `lines`, named like `path`, in the first other place that can
    be written; None if none can."""
    for folder in other_places():
        if folder.absolute() == path.parent:
            continue
        raw = None
        try:
            raw = RawFile(folder / path.name, header)
            raw.append(lines)
            raw.sync()
        except StorageError:
            if raw is not None:
                raw.discard()
            continue
        return raw
    return None
