# SPDX-License-Identifier: MIT
"""Check an installation on this computer, point by point. Read-only."""

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
    """One item checked. `remedy` is empty if it is in place, or cannot be told here; `spare` says
    what it is not needed for if it is absent and need not be present."""

    about: str
    found: str
    remedy: str = ""
    spare: str = ""

    @property
    def state(self) -> str:
        """One word: LACKS, absent (not there, and not needed) or ok."""
        return "LACKS" if self.remedy else "absent" if self.spare else "ok"

    @property
    def words(self) -> str:
        """What was found, and what it is not needed for."""
        return f"{self.found}; not needed {self.spare}" if self.spare else self.found


NO_BOARD = "for simulated rigs and captures"
INSTALL = "sudo python3 -m rig.install    (in the checkout)"
NOT_INSTALLED = Point(
    "service", "not installed as one", "",
    "where a person starts the rig (`sudo python3 -m rig.install` makes it one)",
)  # fmt: skip
MEMINFO, WATCHDOG = "proc/meminfo", "dev/watchdog"


def points(root: Path = Path("/")) -> list[Point]:
    """All checks, in the order of installation; of a checkout that no service runs from, those of
    the program alone."""
    machine = steps.Machine(root, dry=True)
    found = [_computer(root), _python(), *_libraries(root)]
    if not any(os.path.lexists(root / item.path) for item in table.TABLE if not item.stays):
        return [*found, NOT_INSTALLED]
    return [
        *found, _account(machine), *_files(machine), *_release(machine), *_services(machine),
        _gauge(root), _boot(root), _watchdog(root), _setups(root),
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


def _libraries(root: Path) -> list[Point]:
    """The libraries of this environment against the versions that were tested."""
    if not pins.covered(sys.version_info[:2]):
        return [Point("libraries", "this Python was not tested", "take the system's own Python")]
    other, spare = [], []
    of_board = boot.place(root) is not None
    everywhere = pins.versions([])
    for name, version in pins.versions(["board"]).items():
        try:
            held = metadata.version(name)
        except metadata.PackageNotFoundError:
            held = "missing"
            if not of_board and name not in everywhere:
                spare.append(name)
                continue
        if held not in version:
            other.append(f"{name} {held}, tested {' or '.join(sorted(version))}")
    found = [Point("libraries", f"{', '.join(spare)} not there", "", NO_BOARD)] if spare else []
    if not other:
        return [Point("libraries", "the versions that were tested"), *found]
    shown = "; ".join(other[:4]) + (f"; {len(other) - 4} more" if len(other) > 4 else "")
    return [Point("libraries", shown, "python3 -m rig.bootstrap --board"), *found]


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
        if text is None:  # the gauge's rule, which is checked by name
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
        _release_point(machine, current, Point("release in use", "none", INSTALL)),
        _release_point(
            machine,
            before,
            Point("release before", "none, nothing to roll back to", "", "before an upgrade"),
        ),
    ]


def _release_point(machine: steps.Machine, name: str, none: Point) -> Point:
    """A release, and whether its files match its name; else `none`."""
    if not name:
        return none
    try:
        whole = releases.is_whole(machine.home, name)
    except OSError:
        whole = False
    return Point(none.about, name if whole else f"{name}, not whole", "" if whole else INSTALL)


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
        return Point("gauge", "no name of its own", "", "without a serial gauge")
    there = (root / "dev/rig-gauge").exists()
    found = "/dev/rig-gauge" if there else "/dev/rig-gauge is not there"
    return Point("gauge", found, "" if there else "plug it in, or name it anew: --gauge PORT")


def _boot(root: Path) -> Point:
    path = boot.place(root)
    if path is None:
        return Point("boot lines", "no boot file of a Raspberry Pi on this computer", "", NO_BOARD)
    try:
        fits = path.read_text() == boot.wanted_text(root, path)
    except (CannotSetUp, OSError) as problem:
        return Point("boot lines", str(problem).splitlines()[0], INSTALL)
    words = "in place" if fits else f"{path} does not hold the lines of the setups in /etc/rig"
    return Point("boot lines", words, "" if fits else INSTALL)


def _watchdog(root: Path) -> Point:
    if (root / WATCHDOG).exists():
        return Point("hardware watchdog", "there")
    what = "no /dev/watchdog: a frozen computer stays frozen"
    if boot.place(root) is None:
        return Point("hardware watchdog", what, "", NO_BOARD)
    return Point("hardware watchdog", what, "start the computer anew")


def _setups(root: Path) -> Point:
    names = [path.name for path in sorted((root / table.CONFIG).glob("*.setup.toml"))]
    if names:
        return Point("setups", ", ".join(names))
    where = root / table.CONFIG
    return Point("setups", f"none in {where}", "", "for runs with a setup of another folder")
