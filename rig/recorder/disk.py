# SPDX-License-Identifier: MIT
"""The disk that stores a run: is there room, and does it survive a power cut?"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from rig.core.clock import NS_PER_S, Clock
from rig.core.errors import StorageError

MIN_FREE_MB = 100.0
"""A run does not begin with less: well above the interlock's own limit (limits.disk_free), or it
would trip soon after. A run of a thousand strokes takes a few megabytes."""
STOP_FREE_MB = 16.0
"""With less, a run is ended whatever the interlock does, while there is room to close it
properly."""
LOOK_NS = NS_PER_S
"""Shortest time between two checks of the disk."""

MOUNTS = Path("/proc/self/mountinfo")
IN_MEMORY = ("tmpfs", "ramfs", "rootfs")
ROOM_REMEDY = (
    "Free some space (raw files may be moved away once the log is backed up), "
    "or point RIG_DATA at a folder on another disk."
)


def room_words(room_mb: float) -> str:
    """Room on a disk, in readable form."""
    return f"{room_mb:.0f} MB" if room_mb < 10_000 else f"{room_mb / 1000:.0f} GB"


def free_mb(folders: Sequence[Path]) -> float:
    """Space available to this user on the fuller of the disks of `folders`, megabytes (10^6 bytes).

    Raises OSError if one of them is gone.
    """
    found = (os.statvfs(folder) for folder in folders)
    return min(stat.f_bavail * stat.f_frsize / 1e6 for stat in found)


class Room:
    """Space left on the disks of a run's log and raw file, polled from time to time."""

    def __init__(self, folders: Sequence[Path], clock: Clock) -> None:
        self._folders, self._clock = folders, clock
        self._files: dict[Path, tuple[int, int]] = {}
        self._next_ns = 0
        self.last_mb: float | None = None
        """Result of the last poll, None if the disk did not answer. Reading it never waits for a
        disk."""

    def watch(self, path: Path) -> None:
        """From now on, report the space as unknown if the file at `path` is no longer this one: its
        folder was removed, or another disk is mounted there."""
        found = path.stat()
        self._files[path] = found.st_dev, found.st_ino

    def _require_files(self) -> None:
        for path, known in self._files.items():
            found = path.stat()
            if (found.st_dev, found.st_ino) != known:
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path))

    @property
    def due_in_s(self) -> float:
        """Time until the disk may be polled again, seconds."""
        return max(0.0, (self._next_ns - self._clock.now_ns()) / NS_PER_S)

    def look(self, *, at_once: bool = False) -> float | None:
        """Free megabytes, at most a second old; None if not known or no longer known."""
        now_ns = self._clock.now_ns()
        if at_once or now_ns >= self._next_ns:
            self._next_ns = now_ns + LOOK_NS
            try:
                self._require_files()
                self.last_mb = round(free_mb(self._folders), 1)
            except OSError:
                self.last_mb = None
        return self.last_mb

    def require(self) -> None:
        """Raise StorageError if there is too little space for a run to begin."""
        found = self.look()
        if found is not None and not found >= MIN_FREE_MB:
            where = " and ".join(sorted({str(folder) for folder in self._folders}))
            raise StorageError(
                f"Only {found:.0f} MB are free on the disk of {where}; a run begins only with "
                f"{MIN_FREE_MB:.0f} MB or more. {ROOM_REMEDY}"
            )

    def nearly_full(self) -> StorageError | None:
        """The error to report if the run should end now."""
        found = self.look()
        if found is None or found >= STOP_FREE_MB:
            return None
        return StorageError(
            f"The disk is nearly full: {found:.0f} MB are free, limit {STOP_FREE_MB:.0f} MB. "
            f"What was recorded is kept. {ROOM_REMEDY}"
        )


class Mount(NamedTuple):
    """A line of /proc/self/mountinfo (proc_pid_mountinfo(5)): where, what, options."""

    point: str
    kind: str
    options: str


def mount_of(path: Path, mounts: Path = MOUNTS) -> Mount | None:
    """The mount that holds `path`; None if the kernel does not say."""
    try:
        lines = mounts.read_text().splitlines()
    except OSError:
        return None
    wanted, found = path.resolve(), None
    for line in lines:
        left, _, right = line.partition(" - ")
        fields, kinds = left.split(), right.split()
        if len(fields) < 5 or len(kinds) < 3:
            continue
        point = Path(re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), fields[4]))
        if wanted.is_relative_to(point) and (found is None or len(str(point)) >= len(found.point)):
            found = Mount(str(point), kinds[0], kinds[2])  # of two on one point, the later applies
    return found


def lost_at_power_off(path: Path, mounts: Path = MOUNTS) -> str | None:
    """In words, why data written at `path` does not survive a power cut; None if nothing says so.
    An overlay stores data on the disk of its upper layer: one not visible from here is named as a
    doubt."""
    mount = mount_of(path, mounts)
    if mount is None:
        return None
    if mount.kind in IN_MEMORY:
        return (
            f"{path} is kept in memory ({mount.kind}): all of it is lost when the power goes off. "
            "Point RIG_DATA at a folder on a disk."
        )
    if mount.kind != "overlay":
        return None
    upper = re.search(r"(?:^|,)upperdir=([^,]*)", mount.options)
    layer = mount_of(Path(upper[1]), mounts) if upper and Path(upper[1]).is_dir() else None
    if layer is not None and layer.kind not in (*IN_MEMORY, "overlay"):
        return None
    sure = layer is not None and layer.kind in IN_MEMORY
    return (
        f"{path} is on an overlay file system: all of it "
        f"{'is' if sure else 'may be'} lost when the power goes off. "
        "Point RIG_DATA at a folder on a disk that is mounted for writing."
    )
