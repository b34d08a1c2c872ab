# SPDX-License-Identifier: MIT
"""When the run log was last copied by `rig backup`, and what that leaves unprotected."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import NamedTuple

from pydantic import ValidationError

from rig.config.strict import Strict
from rig.core.atomic_file import whole_file

FILE = "last-backup.json"
OLD_S = 7 * 86_400
"""A copy older than this is cautioned where runs came since (common practice, no source)."""
DAY_S = 86_400


class Backup(Strict):
    """A checked copy: when, where to, the last run in it, and whether it lies on the log's disk."""

    utc_s: float
    target: str
    last_run: int
    same_disk: bool


class Told(NamedTuple):
    """What is to be said of the last copy; `caution` where something is to be done."""

    words: str
    caution: bool


def note(log_path: Path, target: Path, last_run: int, utc_s: float) -> None:
    """Note a copy that was made and checked. What cannot be noted is no fault of the copy."""
    with contextlib.suppress(OSError):
        same = log_path.stat().st_dev == target.stat().st_dev
        made = Backup(utc_s=utc_s, target=str(target), last_run=last_run, same_disk=same)
        with whole_file(log_path.with_name(FILE), lasting=True) as file:
            file.write(made.model_dump_json())


def last(log_path: Path) -> Backup | None:
    """The copy noted last; None where none is known."""
    try:
        return Backup.model_validate_json(log_path.with_name(FILE).read_bytes())
    except (OSError, ValidationError, ValueError):
        return None


def told(backup: Backup | None, newest_run: int, now_s: float) -> Told:
    """The age of the last copy in words. `newest_run`: the log's last run, 0 where it has none."""
    if backup is None:
        if not newest_run:
            return Told("No backup is known; no run needs one yet.", False)
        return Told("No backup is known. Make one on another disk: `rig backup FILE`.", True)
    words = f"Last backup {_ago(now_s - backup.utc_s)}, to {backup.target}"
    since = newest_run - backup.last_run
    if since > 0:
        words += (
            f"; {since} run{'s' if since > 1 else ''} since then {'are' if since > 1 else 'is'}"
        )
        words += " not in it."
    else:
        words += "; every run is in it."
    if backup.same_disk:
        return Told(f"{words} It lies on the log's own disk: copy it to another.", True)
    if since > 0 and not now_s - backup.utc_s <= OLD_S:
        return Told(f"{words} Make another: `rig backup FILE`.", True)
    return Told(words, False)


def _ago(age_s: float) -> str:
    if not age_s >= 0:
        return "at a time that lies ahead (the clock was wrong then or is now)"
    days = int(age_s // DAY_S)
    if days:
        return f"{days} day{'s' if days > 1 else ''} ago"
    hours = int(age_s // 3600)
    return f"{hours} hour{'s' if hours > 1 else ''} ago" if hours else "within the last hour"
