# SPDX-License-Identifier: MIT
"""Install, upgrade, roll back, uninstall: each step is announced before it is done, or only
announced."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable
from functools import partial
from pathlib import Path

from rig.debian import CannotSetUp, say
from rig.install import boot, releases, table

NAMES = ("ID_SERIAL", "ID_PATH")
"""What identifies a gauge's adapter: its own serial number, or else the port it is plugged into."""


class Machine:
    """A computer, or the files of one below `root`. `dry`: announce everything, do nothing."""

    def __init__(self, root: Path = Path("/"), *, dry: bool = False) -> None:
        self.root, self.dry = root, dry
        self.home = root / table.HOME
        self.running = root == Path("/") and Path("/run/systemd/system").is_dir()
        self.changed = 0

    def do(self, text: str, action: Callable[[], object]) -> None:
        """One change."""
        self.changed += 1
        say(f"Would {text}" if self.dry else text[:1].upper() + text[1:])
        if not self.dry:
            action()

    def require_rights_and_rest(self) -> None:
        """Require root, and no running bench: its coil may be on."""
        if self.dry:
            if not self.changed:
                say("Dry run: this is what would be done, in this order. Nothing is done.")
            return
        if os.geteuid() != 0:
            raise CannotSetUp(
                "This writes system files, which needs root.", "sudo python3 -m rig.install"
            )
        if self.root == Path("/") and (found := benches()):
            raise CannotSetUp(
                f"A rig is at work (process {', '.join(found)}). End its run first; nothing was "
                "changed."
            )

    def systemctl(self, *words: str) -> None:
        """Call the service manager, or prepare what it will find below another root."""
        where = [] if self.root == Path("/") else [f"--root={self.root}"]
        run(["systemctl", "--quiet", *where, *words])

    # -- parts ---------------------------------------------------------------------------------

    def files(self, gauge: dict[str, str]) -> None:
        """Every file of the table that differs. The account comes first: folders belong to it."""
        for item in table.TABLE:
            text = self.text_of(item, gauge)
            if text is None:
                continue
            if why := table.difference(item, self.root, text):
                path = self.root / item.path
                what = "write" if item.source else "make the folder"
                self.do(f"{what} {path} ({why})", partial(table.write, item, self.root, text))
            if item.source == "rig.sysusers" and self.lacks_account():
                self.do("make the account and groups of etc/sysusers.d/rig.conf", self.account)

    def text_of(self, item: table.Item, gauge: dict[str, str]) -> str | None:
        """The text of a file; an existing gauge rule stays if no gauge is given."""
        if not item.source:
            return ""
        if item.path == table.GAUGE_RULE and not gauge:
            there = self.root / item.path
            return there.read_text() if there.is_file() else None
        return table.text_of(item, gauge)

    def lacks_account(self) -> bool:
        """Whether account or groups are missing, by that system's files."""

        def names(file: str) -> dict[str, list[str]]:
            path = self.root / "etc" / file
            lines = path.read_text().splitlines() if path.is_file() else []
            return {line.split(":")[0]: line.split(":")[-1].split(",") for line in lines}

        groups = names("group")
        wanted = ("gpio", "spi", "dialout")
        member = all(table.ACCOUNT in groups.get(name, []) for name in wanted)
        return table.ACCOUNT not in names("passwd") or not member

    def account(self) -> None:
        """systemd's own tool, from the file in the table."""
        where = [] if self.root == Path("/") else [f"--root={self.root}"]
        run(["systemd-sysusers", *where, str(self.root / "etc/sysusers.d/rig.conf")])

    def boot_lines(self, *, wanted: bool = True) -> None:
        """The marked lines of the boot file."""
        path = boot.place(self.root)
        if path is None:
            say("No boot lines: this computer has no boot file of a Raspberry Pi.")
            return
        text = path.read_text()
        new = boot.wanted_text(self.root, path) if wanted else boot.with_block(text, "")
        if new != text:
            self.do(
                f"{'write' if wanted else 'take out'} the marked lines of {path}; they count from "
                "the next start",
                partial(table.replace, path, new.encode(), 0o755),
            )

    def release(self, checkout: Path, wheels: Path | None) -> None:
        """Make the checkout a release of its own, and switch to it when complete."""
        name = releases.name_of(checkout)
        place = self.home / "releases" / name
        if not releases.is_whole(self.home, name):
            self.do(f"make the release {place}", lambda: releases.make(checkout, self.home, wheels))
        if releases.linked(self.home, "current") == name:
            return
        self.require_rights_and_rest()  # making it took minutes, in which a run may have begun
        copy = releases.keep_log_copy(self.root, self.home, name) if not self.dry else None
        if copy:
            say(f"The run log was copied to {copy}.")
        self.do(f"put {name} into use", lambda: releases.switch(self.home, name))
        for old in releases.superfluous(self.home) if not self.dry else []:
            self.do(f"remove the release {old.name}", partial(shutil.rmtree, old))

    def services(self) -> None:
        """Services enabled, reloaded, and the page running; an unattended sheet is never
        started."""
        wants = self.root / "etc/systemd/system/multi-user.target.wants"
        off = [name for name in table.ENABLED if not (wants / name).is_symlink()]
        if off:
            self.do(f"enable {' '.join(off)}", lambda: self.systemctl("enable", *off))
        if self.running and self.changed:
            self.do("load units and rules anew, restart the page", self.reload)

    def reload(self) -> None:
        """Apply what was written."""
        self.require_rights_and_rest()  # driving lines off would end a run in progress
        run(["systemctl", "daemon-reload"])
        if Path(
            "/run/udev/control"
        ).exists():  # not in a container, which has no devices of its own
            run(["udevadm", "control", "--reload"])
            matches = [f"--subsystem-match={name}" for name in ("gpio", "spidev", "tty")]
            run(["udevadm", "trigger", *matches])
        run(["systemctl", "restart", "rig-safe.service", "rig-serve.service"])


def install(machine: Machine, checkout: Path, wheels: Path | None, gauge: dict[str, str]) -> None:
    """Put everything in place; a second call changes nothing."""
    machine.require_rights_and_rest()
    os.umask(0o022)
    machine.files(gauge)
    machine.boot_lines()
    before = releases.linked(machine.home, "current")
    machine.release(checkout, wheels)
    try:
        machine.services()
    except CannotSetUp as problem:
        if not before or before == releases.linked(machine.home, "current"):
            raise
        releases.switch(machine.home, before)
        run(["systemctl", "restart", "rig-serve.service"])
        raise CannotSetUp(f"{problem}\nThe release before, {before}, is in use again.") from problem
    if not machine.changed:
        say(f"All is in place; nothing {'would be' if machine.dry else 'was'} changed.")


def roll_back(machine: Machine) -> None:
    """Switch to the previous release. The run log stays as it is."""
    machine.require_rights_and_rest()
    name = releases.linked(machine.home, "previous")
    if not name or not releases.is_whole(machine.home, name):
        raise CannotSetUp(f"There is no complete release before this one in {machine.home}.")
    machine.do(f"put {name} into use again", lambda: releases.switch(machine.home, name))
    machine.services()
    say(
        f"The run log {'stays as it is' if machine.dry else 'was not touched'}. Where the newer "
        "release has given it a newer form, this one refuses it in words; copies from before each "
        f"upgrade are {machine.root / table.DATA}/before-*."
    )


def uninstall(machine: Machine) -> None:
    """Remove everything in the table except what the shop wrote and recorded."""
    machine.require_rights_and_rest()
    there = [n for n in table.UNITS if (machine.root / "etc/systemd/system" / n).exists()]
    off = [name for name in table.ENABLED if name in there]
    if off:
        now = ["--now"] if machine.running else []
        machine.do(
            f"stop and disable {' '.join(off)}", lambda: machine.systemctl("disable", *now, *off)
        )
    machine.boot_lines(wanted=False)
    for item in reversed(table.TABLE):
        path = machine.root / item.path
        if item.stays or not path.exists():
            continue
        remove = path.unlink if item.source else partial(shutil.rmtree, path)
        machine.do(f"remove {path}", remove)
    if machine.running and machine.changed:
        machine.do("load units anew", lambda: run(["systemctl", "daemon-reload"]))
    kept = " and ".join(str(machine.root / item.path) for item in table.TABLE if item.stays)
    stay = "would stay" if machine.dry else "stay"
    say(f"{kept} {stay}, and the account {table.ACCOUNT} that owns the records.")


def benches() -> list[str]:
    """Processes of this computer that may hold a relay line."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            if b"\0-m\0rig.compose\0" in (folder / "cmdline").read_bytes():
                found.append(folder.name)
        except OSError:  # it has just ended
            continue
    return found


def gauge_of(port: str) -> dict[str, str]:
    """udev's attributes of the adapter at a port: the values of its rule."""
    done = subprocess.run(
        ["udevadm", "info", "--query=property", f"--name={port}"], capture_output=True, text=True
    )
    facts = dict(line.split("=", 1) for line in done.stdout.splitlines() if "=" in line)
    return gauge_values(port, facts)


def gauge_values(port: str, facts: dict[str, str]) -> dict[str, str]:
    """Its serial number if it has one, else the USB port it is plugged into."""
    key = NAMES[0] if facts.get("ID_SERIAL_SHORT") else NAMES[1]
    value = facts.get(key, "")
    if not value or '"' in value:
        raise CannotSetUp(
            f"udev knows no serial adapter at {port}. Is it plugged in? "
            "`ls /dev/ttyUSB* /dev/ttyACM*`"
        )
    if key == NAMES[1]:
        say("This adapter has no number of its own: the name goes with the socket it is in.")
    return {"KEY": key, "VALUE": value}


def run(command: list[str]) -> None:
    """Run a system command; raises CannotSetUp with its output."""
    try:
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    except FileNotFoundError:
        raise CannotSetUp(f"{command[0]} is not there; systemd's own tools are needed.") from None
    if done.returncode:
        raise CannotSetUp(f"`{' '.join(command)}` failed:\n{(done.stdout + done.stderr).strip()}")
