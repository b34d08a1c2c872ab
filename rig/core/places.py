# SPDX-License-Identifier: MIT
"""Where the rig stores its files: the run log, the raw files and each rig's state file.

`RIG_DATA` overrides the whole location (tests, the demo, a second rig on one machine).
"""

from __future__ import annotations

import os
from pathlib import Path

from rig.core.errors import StorageError


def data_dir() -> Path:
    """The user's data directory (XDG base directory specification), created if missing."""
    chosen = os.environ.get("RIG_DATA")
    if chosen:
        path = Path(chosen)
    else:
        path = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local/share") / "rig"
    path = path.absolute()  # before lgpio may change the working directory
    return _made(path, 0o777)


def log_path() -> Path:
    """The run log."""
    return data_dir() / "runs.sqlite"


def raw_dir() -> Path:
    """Append-only raw files, one per run."""
    return _made(data_dir() / "raw", 0o777)


def state_dir() -> Path:
    """Owner and trip latch of each rig; on the data disk, so that the latch survives a reboot."""
    return _made(data_dir() / "state", 0o700)


def _made(path: Path, mode: int) -> Path:
    try:
        path.mkdir(mode=mode, parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        places = (path, *path.parents)
        file = next(place for place in places if place.exists() or place.is_symlink())
        raise StorageError(
            f"{file} is a file or a link to nothing; a folder for the records of runs belongs "
            "there. Move it away, or point RIG_DATA at another folder."
        ) from error
    except OSError as error:
        raise StorageError(
            f"The folder {path} cannot be made ({error.strerror}). Point RIG_DATA at a folder that "
            "you may write to."
        ) from error
    return path
