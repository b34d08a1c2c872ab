# SPDX-License-Identifier: MIT
"""Every file that installing writes, with its permissions. Nothing outside this table is touched,
except the marked lines of the boot file (rig/install/boot.py).

Only the standard library: this runs before anything is installed.
"""

from __future__ import annotations

import grp
import os
import pwd
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

FILES = Path(__file__).resolve().parent / "files"
ACCOUNT = "rig"
HOME = "opt/rig"
CONFIG = "etc/rig"
DATA = "var/lib/rig"
UNITS = ("rig-safe.service", "rig-run@.service", "rig-serve.service")
ENABLED = ("rig-safe.service", "rig-serve.service")
GAUGE_RULE = "etc/udev/rules.d/61-rig-gauge.rules"


class Item(NamedTuple):
    """A file or folder below the root. `source` is its text in files/, empty for a folder; `stays`:
    uninstalling leaves it, since it holds what the shop wrote or recorded."""

    path: str
    mode: int
    source: str = ""
    owner: str = "root"
    stays: bool = False


TABLE = (
    Item("etc/sysusers.d/rig.conf", 0o644, "rig.sysusers"),
    *(Item(f"etc/systemd/system/{name}", 0o644, name) for name in UNITS),
    Item("etc/systemd/journald@rig.conf", 0o644, "journald@rig.conf"),
    Item("etc/systemd/system.conf.d/50-rig-watchdog.conf", 0o644, "50-rig-watchdog.conf"),
    Item("etc/udev/rules.d/60-rig.rules", 0o644, "60-rig.rules"),
    Item(GAUGE_RULE, 0o644, "61-rig-gauge.rules"),
    Item(f"{CONFIG}", 0o755, stays=True),
    Item(f"{CONFIG}/bench.env.example", 0o644, "bench.env.example"),
    Item(f"{HOME}", 0o755),
    Item(f"{HOME}/releases", 0o755),
    Item(f"{DATA}", 0o700, owner=ACCOUNT, stays=True),
)


def text_of(item: Item, values: Mapping[str, str]) -> str | None:
    """The file's text with its values filled in; None if one of them is unknown."""
    text = (FILES / item.source).read_text()
    for key, value in values.items():
        text = text.replace(f"@{key}@", value)
    return None if "@KEY@" in text or "@VALUE@" in text else text


def difference(item: Item, root: Path, text: str) -> str:
    """How a file or folder differs from the table; empty if it does not."""
    path = root / item.path
    try:
        found = path.lstat()
    except OSError:
        return "missing"
    wanted = stat.S_ISREG if item.source else stat.S_ISDIR
    if not wanted(found.st_mode):
        return "not a file" if item.source else "not a folder"
    if item.source and path.read_bytes() != text.encode():
        return "other text"
    if stat.S_IMODE(found.st_mode) != item.mode:
        return f"rights {stat.S_IMODE(found.st_mode):o}, not {item.mode:o}"
    if os.geteuid() == 0 and found.st_uid != owner_of(item, root)[0]:
        return f"does not belong to {item.owner}"
    return ""


def owner_of(item: Item, root: Path) -> tuple[int, int]:
    """Numeric ids of account and group; another system's root has its own."""
    if item.owner == "root":
        return 0, 0
    if root == Path("/"):
        try:
            number = pwd.getpwnam(item.owner).pw_uid
            return number, grp.getgrnam(item.owner).gr_gid
        except KeyError:
            return -1, -1
    for line in (root / "etc/passwd").read_text().splitlines():
        name, _, uid, gid, *_ = line.split(":")
        if name == item.owner:
            return int(uid), int(gid)
    return -1, -1


def write(item: Item, root: Path, text: str) -> None:
    """Make the file or folder match the table, atomically."""
    path = root / item.path
    path.parent.mkdir(parents=True, exist_ok=True)
    if item.source:
        replace(path, text.encode(), item.mode)
    else:
        path.mkdir(exist_ok=True)
        path.chmod(item.mode)
    if os.geteuid() == 0:
        os.chown(path, *owner_of(item, root))


def replace(path: Path, content: bytes, mode: int) -> None:
    """Write beside, sync, rename: a power cut leaves the old file or the new one."""
    beside = path.with_name(f".{path.name}.new")
    with beside.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    beside.chmod(mode)
    beside.rename(path)
