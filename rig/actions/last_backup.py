# SPDX-License-Identifier: MIT
"""What the newest copy of the run log does not protect, in words."""

from __future__ import annotations

from typing import NamedTuple

from rig.runlog.copies import LastBackup

OLD_S = 7 * 86_400
"""Common practice, no source: lose a week's runs at most."""
DAY_S = 86_400
ANOTHER = "Make another on another disk: `rig backup FILE`."


class Told(NamedTuple):
    """Message about the last copy; `caution` if something must be done."""

    words: str
    caution: bool


def told(backup: LastBackup | None, newest_run: int, now_s: float) -> Told:
    """The age of the last copy in words. `newest_run`: the log's last run, 0 if it has none."""
    if backup is None:
        if not newest_run:
            return Told("No backup is known; no run needs one yet.", False)
        return Told("No backup is known. Make one on another disk: `rig backup FILE`.", True)
    words = f"Last backup {_ago(now_s - backup.utc_s)}: {backup.where}"
    since = None if backup.last_run is None else newest_run - backup.last_run
    if since is None:
        words += "."
    elif since > 0:
        missing = "1 run since then is" if since == 1 else f"{since} runs since then are"
        words += f"; {missing} not in it."
    else:
        words += "; every run is in it."
    if backup.same_disk:
        return Told(f"{words} It lies on the log's own disk: copy it to another.", True)
    if (since is None or since > 0) and not now_s - backup.utc_s <= OLD_S:
        return Told(f"{words} {ANOTHER}", True)
    return Told(words, False)


def _ago(age_s: float) -> str:
    if not age_s >= 0:
        return "at a time that lies ahead (the clock was wrong then or is now)"
    days = int(age_s // DAY_S)
    if days:
        return f"{days} day{'s' if days > 1 else ''} ago"
    hours = int(age_s // 3600)
    return f"{hours} hour{'s' if hours > 1 else ''} ago" if hours else "within the last hour"
