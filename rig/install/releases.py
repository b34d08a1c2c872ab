# SPDX-License-Identifier: MIT
"""Releases side by side in /opt/rig: the one in use, the previous one, and switching between them.

`current` and `previous` are links; a switch is one rename. The run log is elsewhere, never touched.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

from rig import bootstrap
from rig.debian import CannotSetUp
from rig.install import table

PARTS = ("rig", "webui", "hardware", "demo", "pyproject.toml", "README.md", "LICENSE")
LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.pyc", ".*", "log", "*.egg-info")
FOLDER_MODE, FILE_MODE = 0o755, 0o644


def files_of(checkout: Path) -> list[Path]:
    """The files of a release, relative to its checkout."""
    found = []
    for part in PARTS:
        top = checkout / part
        for folder, folders, names in os.walk(top):
            left_out = LEFT_OUT(folder, [*folders, *names])
            folders[:] = sorted(set(folders) - left_out)
            found += [Path(folder, name) for name in sorted(set(names) - left_out)]
        if top.is_file():
            found.append(top)
    return [path.relative_to(checkout) for path in found]


def name_of(checkout: Path) -> str:
    """A release is named by its content: the same files are the same release."""
    digest = hashlib.sha256()
    for name in files_of(checkout):
        content = hashlib.sha256((checkout / name).read_bytes()).hexdigest()
        digest.update(f"{name} {content}\n".encode())
    return digest.hexdigest()[:12]


def linked(home: Path, link: str) -> str:
    """The release that `current` or `previous` points to; empty if there is none."""
    path = home / link
    return path.readlink().name if path.is_symlink() else ""


def make(checkout: Path, home: Path, wheels: Path | None) -> None:
    """Copy a checkout into its release and set up its environment. A complete one is reused; the
    release in use is never changed."""
    place = home / "releases" / name_of(checkout)
    for name in files_of(checkout):
        target = place / name
        target.parent.mkdir(parents=True, exist_ok=True)
        content = (checkout / name).read_bytes()
        if not target.is_file() or target.read_bytes() != content:
            table.replace(target, content, FILE_MODE)
        target.chmod(FILE_MODE)
    for folder, _, _ in os.walk(place):
        if ".venv" not in Path(folder).parts:
            Path(folder).chmod(FOLDER_MODE)
    bootstrap.Checkout(place, wheels=wheels).prepare(["board"])
    # the services may not write here, and a small board would recompile at each start
    python = place / ".venv/bin/python"
    compiled = subprocess.run([python, "-m", "compileall", "-q", "rig", "webui"], cwd=place)
    if compiled.returncode:
        raise CannotSetUp(f"Compiling {place} failed, see above. The release in use is unchanged.")


def is_whole(home: Path, name: str) -> bool:
    """Whether a release is set up and its files match its name."""
    place = home / "releases" / name
    return (place / ".venv/set-up.json").is_file() and name_of(place) == name


def switch(home: Path, name: str) -> None:
    """Switch to a release; the one in use until now becomes the previous one. Raises CannotSetUp if
    its files are incomplete."""
    if not is_whole(home, name):
        raise CannotSetUp(
            f"The files of {home / 'releases' / name} are not those that its name tells. The "
            "release in use is unchanged. Install again."
        )
    before = linked(home, "current")
    if before and before != name:
        point(home, "previous", before)
    point(home, "current", name)


def point(home: Path, link: str, name: str) -> None:
    """Set a link atomically."""
    beside = home / f".{link}.new"
    beside.unlink(missing_ok=True)
    beside.symlink_to(Path("releases", name))
    beside.rename(home / link)


def superfluous(home: Path) -> list[Path]:
    """Releases that are neither in use nor the previous one."""
    kept = {linked(home, "current"), linked(home, "previous")}
    return sorted(path for path in (home / "releases").glob("*") if path.name not in kept)


def keep_log_copy(root: Path, home: Path, name: str) -> Path | None:
    """Make a checked copy of the run log before another release may convert it to a newer form. The
    log itself is only read. None if there is no log, or no release that could read it."""
    log, rig = root / table.DATA / "runs.sqlite", home / "current/.venv/bin/rig"
    copy = root / table.DATA / f"before-{name}.sqlite"
    if not log.exists() or not rig.exists() or copy.exists():
        return None
    command = ["runuser", "-u", table.ACCOUNT, "--", "env", f"RIG_DATA={log.parent}", str(rig)]
    done = subprocess.run([*command, "backup", str(copy)], capture_output=True, text=True)
    if done.returncode:
        sys.stdout.write(done.stdout + done.stderr)
        raise CannotSetUp("The run log could not be copied, see above: the release stays as it is.")
    return copy
