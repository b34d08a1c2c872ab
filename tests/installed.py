# SPDX-License-Identifier: MIT
"""The one command that installs the rig, on a fresh Debian: `python3 tests/run.py install` (root).

    python3 tests/run.py install                          arm64, Debian 12 and 13, emulated (hours)
    python3 tests/run.py install --arch amd64 bookworm    this processor, one release (minutes)
    python3 tests/run.py install ... -- quick             at the end the test command, these lanes

In a copy of a pristine root (tests/fresh.py): a dry run that may change nothing, the install, a
second one that may change nothing, units held by systemd's own tools, `rig doctor`, `rig check`, a
fast simulated run as the rig's account, an upgrade, the way back, and the uninstall. Each file that
came or changed outside the table is a failure. No service manager runs there.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import fresh

from rig import debian
from rig.debian import CannotSetUp, say
from rig.install import boot, table

INSTALL = ["python3", "-m", "rig.install"]
RIG = "/opt/rig/current/.venv/bin/rig"
AS_RIG = ["runuser", "-u", "rig", "--", "env", "RIG_DATA=/var/lib/rig", "HOME=/var/lib/rig"]
BOOT_FILE = "boot/firmware/config.txt"
BOOT_TEXT = "# as it came\n[pi4]\narm_boost=1\n"
SYSTEM = ("systemd", "udev")
"""What each installed system has, and a root of debootstrap's smallest variant has not."""
BY_TOOLS = ("etc/passwd", "etc/group", "etc/shadow", "etc/gshadow", "etc/subuid", "etc/subgid",
            "etc/.pwd.lock")  # fmt: skip
"""Written by systemd-sysusers and, with a hyphen behind, kept by it."""
OF_PACKAGES = ("etc/alternatives", "etc/ld.so", "etc/apt", "etc/ssl", "etc/perl", "etc/gprofng",
               "etc/python3", "etc/swig", "usr/local", "etc/mime", "etc/ca-")  # fmt: skip
"""What Debian's own compilers bring along."""
WATCHED = ("etc", "boot", "opt", "usr/local", "var/lib/rig", "root")
LINKS = "etc/systemd/system/multi-user.target.wants/"


EMULATED = {"arm64": "arm64"}
"""A root of this processor is the same as that of `fresh`."""


REGISTERED = Path("/proc/sys/fs/binfmt_misc/qemu-aarch64")


class Failed(Exception):
    """A step did not do what it should."""


Seen = dict[str, tuple[int, int, int, float]]


def seen(root: Path) -> Seen:
    """Rights, owner, size and time of each file below the watched folders."""
    found = {}
    for top in WATCHED:
        for folder, _, names in os.walk(root / top):
            for path in (Path(folder), *(Path(folder, name) for name in names)):
                facts = path.lstat()
                time_s = facts.st_mtime if path.is_file() else 0
                found[str(path.relative_to(root))] = (
                    facts.st_mode, facts.st_uid, facts.st_size, time_s,
                )  # fmt: skip
    return found


def outside_the_table(before: Seen, after: Seen) -> list[str]:
    """What came, went or changed and stands in no row."""
    rows = {item.path for item in table.TABLE} | {BOOT_FILE}
    parents = {str(parent) for row in rows for parent in Path(row).parents}
    changed = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
    return sorted(
        path
        for path in changed
        if path not in rows | parents
        and not path.startswith((f"{table.HOME}/", LINKS, f"{table.DATA}/", "root/.cache"))
        and path.rstrip("-") not in BY_TOOLS
        and path != LINKS.rstrip("/")
    )


class Trial:
    """One root, step by step; `minutes` of each."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.minutes: list[tuple[str, float]] = []

    def step(self, about: str, *command: str, fails: bool = False) -> None:
        """Run in the root; raises Failed where it ends otherwise than it should."""
        say(f"\n== {about}: {' '.join(command)}")
        began = time.monotonic()
        code = fresh.run_in(self.root, list(command))
        self.minutes.append((about, (time.monotonic() - began) / 60))
        if bool(code) != fails:
            raise Failed(f"{about}: {' '.join(command)} ended with {code}")

    def unchanged(self, about: str, *command: str) -> None:
        before = seen(self.root)
        self.step(about, *command)
        if others := [p for p in seen(self.root).items() if before.get(p[0]) != p[1]]:
            raise Failed(f"{about} changed {others[:9]}")

    def run(self, lanes: list[str]) -> None:
        """Everything, in order."""
        apt = ["apt-get", "-qq"]
        self.step("package lists", *apt, "update")
        self.step("what every system has", "env", "DEBIAN_FRONTEND=noninteractive", *apt, "install",
                  "--no-install-recommends", "-y", *SYSTEM)  # fmt: skip
        (self.root / BOOT_FILE).parent.mkdir(parents=True, exist_ok=True)
        (self.root / BOOT_FILE).write_text(BOOT_TEXT)
        self.unchanged("dry run", *INSTALL, "--dry-run")
        before = seen(self.root)
        self.step("install", *INSTALL)
        others = [
            path
            for path in outside_the_table(before, seen(self.root))
            if not path.startswith(OF_PACKAGES)
        ]
        if others:
            raise Failed(f"the install wrote outside its table: {others}")
        self.unchanged("a second install", *INSTALL)
        self.step("what is in place", RIG, "doctor", fails=True)  # no service manager, no devices
        units = [f"/etc/systemd/system/{name}" for name in table.UNITS]
        self.step("units, verified", "systemd-analyze", "verify", "--man=no", *units)
        for unit in units:
            self.step("units, scored", "systemd-analyze", "security", "--offline=true",
                      "--threshold=30", "--no-pager", unit)  # fmt: skip
        self.boot_lines()
        demo = [f"/opt/rig/current/demo/workshop.{kind}.toml" for kind in ("setup", "sheet")]
        self.step("check", *AS_RIG, RIG, "check", *demo)
        self.step("fast run", *AS_RIG, RIG, "run", *demo, "--fast", "--valve", "V-INVENTED")
        self.upgrade_and_back()
        log = (self.root / table.DATA / "runs.sqlite").read_bytes()
        self.step("uninstall", *INSTALL, "--uninstall")
        left = [item.path for item in table.TABLE if (self.root / item.path).exists() != item.stays]
        if left or (self.root / BOOT_FILE).read_text() != BOOT_TEXT:
            raise Failed(
                f"the uninstall left {left}, boot file {(self.root / BOOT_FILE).read_text()!r}"
            )
        if (self.root / table.DATA / "runs.sqlite").read_bytes() != log:
            raise Failed("the uninstall changed the run log")
        if lanes:
            self.step("tests", "python3", "tests/run.py", *lanes)

    def boot_lines(self) -> None:
        """A board's setup in /etc/rig adds its pins."""
        shutil.copy(self.root / "checkout/hardware/bench.setup.toml", self.root / table.CONFIG)
        self.step("boot lines", *INSTALL)
        text = (self.root / BOOT_FILE).read_text()
        if not text.startswith(BOOT_TEXT) or "gpio=17=op,dl\n" + boot.END not in text:
            raise Failed(f"boot file: {text!r}")

    def upgrade_and_back(self) -> None:
        """A changed checkout becomes the release in use; the way back leaves the run log alone."""
        home, log = self.root / table.HOME, self.root / table.DATA / "runs.sqlite"
        first, held = (home / "current").readlink(), log.read_bytes()
        with (self.root / "checkout/README.md").open("a") as readme:
            readme.write("\nAnother release.\n")
        self.step("upgrade", *INSTALL)
        if (home / "current").readlink() == first or (home / "previous").readlink() != first:
            raise Failed("the upgrade did not put another release into use")
        if not list((self.root / table.DATA).glob("before-*.sqlite")):
            raise Failed("the upgrade kept no copy of the run log")
        self.step("roll back", *INSTALL, "--rollback")
        if (home / "current").readlink() != first or log.read_bytes() != held:
            raise Failed("the way back did not restore the release, or touched the run log")
        self.step("run list after it", *AS_RIG, RIG, "runs")


def an_emulator() -> None:
    """What lets the kernel start programs of the other processor. Raises CannotSetUp."""
    if not (shutil.which("qemu-aarch64-static") and shutil.which("update-binfmts")):
        debian.install_packages(
            ["qemu-user-static", "binfmt-support"], "A root of another processor"
        )
    if not REGISTERED.exists():  # no service manager did it at the start
        if not (REGISTERED.parent / "register").exists():
            mount = ["mount", "-t", "binfmt_misc", "none", str(REGISTERED.parent)]
            subprocess.run(mount, check=False)
        subprocess.run(["update-binfmts", "--enable"], check=False)
    if not REGISTERED.exists():
        raise CannotSetUp(
            "This kernel does not start programs of another processor (no binfmt_misc).",
            "python3 tests/run.py install --arch amd64",
        )


def tried(release: str, architecture: str, lanes: list[str]) -> str:
    """What failed, in words; empty where nothing did. Prints the minutes of each step."""
    fresh.cache_root().mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=fresh.cache_root(), prefix="installed-") as folder:
        trial = Trial(fresh.machine(release, Path(folder), EMULATED.get(architecture, "")))
        failed = ""
        try:
            trial.run(lanes)
        except Failed as problem:
            failed = f"{release} {architecture}: {problem}"
        say(f"\n{release} {architecture}")
        for about, minutes in trial.minutes:
            say(f"{minutes:>6.1f} min  {about}")
        return failed


def main(words: list[str]) -> int:
    """Each release in turn; 1 when a step failed on one of them."""
    cut = words.index("--") if "--" in words else len(words)
    parser = argparse.ArgumentParser(
        prog="python3 tests/run.py install",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("releases", nargs="*", help="; ".join(fresh.RELEASES))
    parser.add_argument("--arch", default="arm64", choices=["arm64", "amd64"])
    chosen = parser.parse_args(words[:cut])
    wanted = chosen.releases or list(fresh.RELEASES)
    if unknown := set(wanted) - set(fresh.RELEASES):
        parser.error(f"no release {', '.join(sorted(unknown))}")
    try:
        fresh.ready()
        if chosen.arch == "arm64":
            an_emulator()
        failed = [tried(release, chosen.arch, words[cut + 1 :]) for release in wanted]
    except CannotSetUp as problem:
        say(str(problem))
        return 2
    problems = [one for one in failed if one]
    say("\n" + ("\n".join(problems) if problems else "Every step passed on every release."))
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
