# SPDX-License-Identifier: MIT
"""Where the rig keeps things: the run log and raw files, and the state file of each rig.

`RIG_DATA` overrides the whole place (tests, the demo, a second rig on one machine).
"""

from __future__ import annotations

import os
from pathlib import Path


def data_dir() -> Path:
    """The user's data directory (XDG base directory specification), made if missing."""
    chosen = os.environ.get("RIG_DATA")
    if chosen:
        path = Path(chosen)
    else:
        path = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local/share") / "rig"
    path = path.absolute()  # before lgpio may change the working directory
    path.mkdir(parents=True, exist_ok=True)
    return path


def log_path() -> Path:
    """The run log."""
    return data_dir() / "runs.sqlite"


def raw_dir() -> Path:
    """Append-only raw files, one a run."""
    path = data_dir() / "raw"
    path.mkdir(exist_ok=True)
    return path


def state_dir() -> Path:
    """Owner and trip latch of each rig; on the data disk, so that the latch survives a reboot."""
    path = data_dir() / "state"
    path.mkdir(mode=0o700, exist_ok=True)
    return path
