# SPDX-License-Identifier: MIT
"""What of an installation is in place on this computer, point by point. Only looks."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from importlib import metadata
from pathlib import Path
from typing import NamedTuple

from rig import pins
from rig.debian import CannotSetUp
from rig.install import boot, releases, steps, table


class Point(NamedTuple):
    """One thing looked at. `remedy` is empty where it is in place, or cannot be told here."""

    about: str
    found: str
    remedy: str = ""


INSTALL = "sudo python3 -m rig.install    (in the checkout)"
MEMINFO, WATCHDOG = "proc/meminfo", "dev/watchdog"


def points(root: Path = Path("/")) -> list[Point]:
    """Everything, in the order in which it would be set up."""
    machine = steps.Machine(root, dry=True)
    return [
        _computer(root), _python(), *_libraries(), _account(machine), *_files(machine),
        *_release(machine), *_services(machine), _gauge(root), _boot(root), _watchdog(root),
        _setups(root),
    ]  # fmt: skip


def _computer(root: Path) -> Point:
    kind = f"{platform.machine()}, {os.sysconf('SC_LONG_BIT')} bit"
    try:
        facts = dict(line.split(":", 1) for line in (root / MEMINFO).read_text().splitlines())
        kind += f", {int(facts['MemTotal'].split()[0]) // 1024} MB of memory"
    except (OSError, ValueError, KeyError):
        kind += ", memory not known"
    narrow = sys.maxsize <= 2**32
    return Point("computer", kind, "take the 64-bit system" if narrow else "")


def _python() -> Point:
    return Point("Python", platform.python_version(), "")


def _libraries() -> list[Point]:
    """The libraries of this environment against the versions that were tested."""
    if not pins.covered(sys.version_info[:2]):
        return [Point("libraries", "this Python was not tested", "take the system's own Python")]
    other = []
    for name, version in pins.versions(["board"]).items():
        try:
            held = metadata.version(name)
        except metadata.PackageNotFoundError:
            held = "missing"
        if held not in version:
            other.append(f"{name} {held}, tested {' or '.join(sorted(version))}")
    if not other:
        return [Point("libraries", "the versions that were tested")]
    shown = "; ".join(other[:4]) + (f"; {len(other) - 4} more" if len(other) > 4 else "")
    return [Point("libraries", shown, "python3 -m rig.bootstrap --board")]


def _account(machine: steps.Machine) -> Point:
    lacks = machine.lacks_account()
    what = f"account {table.ACCOUNT} in gpio, spi, dialout"
    return Point(
        "account", f"{what}: {'not so' if lacks else 'in place'}", INSTALL if lacks else ""
    )


def _files(machine: steps.Machine) -> list[Point]:
    found = []
    for item in table.TABLE:
        text = machine.text_of(item, {})
        if text is None:  # the gauge's rule, which is looked at by its name
            continue
        try:
            why = table.difference(item, machine.root, text)
        except PermissionError:
            why = "cannot be read by this account"
        path = str(machine.root / item.path)
        found.append(Point(path, why or "in place", INSTALL if why else ""))
    return found


def _release(machine: steps.Machine) -> list[Point]:
    current = releases.linked(machine.home, "current")
    before = releases.linked(machine.home, "previous")
    return [
        _release_point(machine, "release in use", current, "none", INSTALL),
        _release_point(machine, "release before", before, "none: nothing to roll back to", ""),
    ]


def _release_point(machine: steps.Machine, about: str, name: str, none: str, remedy: str) -> Point:
    """A release, and whether its files are those that its name tells."""
    if not name:
        return Point(about, none, remedy)
    try:
        whole = releases.is_whole(machine.home, name)
    except OSError:
        whole = False
    return Point(about, name if whole else f"{name}, not whole", "" if whole else INSTALL)


def _services(machine: steps.Machine) -> list[Point]:
    found = []
    for name in table.ENABLED:
        link = machine.root / "etc/systemd/system/multi-user.target.wants" / name
        words, wrong = "enabled", not link.is_symlink()
        if wrong:
            words = "not enabled"
        elif machine.running:
            asked = ["systemctl", "is-active", name]
            state = subprocess.run(asked, capture_output=True, text=True).stdout.strip()
            words, wrong = f"enabled, {state}", state != "active"
        remedy = f"journalctl --namespace=rig -u {name}" if link.is_symlink() else INSTALL
        found.append(Point(name, words, remedy if wrong else ""))
    return found


def _gauge(root: Path) -> Point:
    if not (root / table.GAUGE_RULE).is_file():
        return Point("gauge", "no name of its own (only needed with a serial gauge)")
    there = (root / "dev/rig-gauge").exists()
    found = "/dev/rig-gauge" if there else "/dev/rig-gauge is not there"
    return Point("gauge", found, "" if there else "plug it in, or name it anew: --gauge PORT")


def _boot(root: Path) -> Point:
    path = boot.place(root)
    if path is None:
        return Point("boot lines", "this computer has no boot file of a Raspberry Pi")
    try:
        fits = path.read_text() == boot.wanted_text(root, path)
    except (CannotSetUp, OSError) as problem:
        return Point("boot lines", str(problem).splitlines()[0], INSTALL)
    words = "in place" if fits else f"{path} does not hold the lines of the setups in /etc/rig"
    return Point("boot lines", words, "" if fits else INSTALL)


def _watchdog(root: Path) -> Point:
    there = (root / WATCHDOG).exists()
    what = "there" if there else "no /dev/watchdog: a frozen computer stays frozen"
    ends = boot.place(root) is None or there
    return Point("hardware watchdog", what, "" if ends else "start the computer anew")


def _setups(root: Path) -> Point:
    names = [path.name for path in sorted((root / table.CONFIG).glob("*.setup.toml"))]
    return Point("setups", ", ".join(names) or f"none in {root / table.CONFIG}")
