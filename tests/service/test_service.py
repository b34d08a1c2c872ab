# SPDX-License-Identifier: MIT
"""The units under a real service manager: installed, booted, run, hung, killed, without power,
booted again with the line driven, upgraded and rolled back, the relay line watched from outside.

One story in two boots, since each step leaves to the next what it would on a board.
"""

from __future__ import annotations

import hashlib
import json
import shlex
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import installed_disk
import pytest
from board import Board, Plant
from build import MachineParts
from conftest import FIGURES  # type: ignore[attr-defined]
from installed_disk import BOARD, LINE_LOG, NEXT, NEXT_RELEASE, PREPARED, SIMULATED, before
from machine import JOB, Guest

from rig.core.errors import EXIT_TRIPPED

pytestmark = pytest.mark.kernel

UNIT = "rig-run@bench.service"
RIG = "runuser -u rig -- env RIG_DATA=/var/lib/rig LG_WD=/tmp /opt/rig/current/.venv/bin/rig"
TIMEOUT_S = 240
PLANT = {"readback_delay_ms": 4, "close_delay_ms": [25], "open_delay_ms": [20]}
MS, MIB = 1_000_000, 1 << 20
MEMORY_MIB = 512
"""Of the smallest board."""
BOOTED = ("rig-safe.service", "systemd-logind.service")
MOST_OF_A_BOOT, MOST_IDLE_MIB = 1.5, 120
PAGE = """
import time, urllib.error, urllib.request
while True:
    try:
        print(urllib.request.urlopen("http://127.0.0.1:8642/", timeout=60).status)
        break
    except urllib.error.URLError:
        time.sleep(0.5)
"""
"""Asks until the page answers: its unit is up when its program is started."""


@dataclass
class Story:
    """What was seen. `line`: level changes as `(monotonic ns, level)`, by step."""

    installed: str = ""
    booted: str = ""
    page: str = ""
    safe: str = ""
    line: dict[str, list[tuple[int, int]]] = field(default_factory=dict)
    ended: dict[str, dict[str, str]] = field(default_factory=dict)
    refused: str = ""
    struck_ns: dict[str, int] = field(default_factory=dict)
    runs: dict[str, str] = field(default_factory=dict)
    releases: dict[str, str] = field(default_factory=dict)
    log: dict[str, str] = field(default_factory=dict)
    active: dict[str, list[str]] = field(default_factory=dict)
    boot_ms: dict[str, dict[str, float]] = field(default_factory=dict)
    idle_mib: float = 0.0
    simulated: dict[str, str] = field(default_factory=dict)
    reported: str = ""
    least_free_mib: float = MEMORY_MIB
    swap: str = ""
    killed_for_memory: str = ""


class Watched:
    """A guest, and the log of its relay line."""

    def __init__(self, guest: Guest) -> None:
        self.guest = guest
        self._seen = 0
        self._memory = guest.start("while sleep 2; do grep MemAvailable /proc/meminfo; done")

    def least_free_mib(self) -> float:
        """The least memory that was free, or could have been freed, so far."""
        return min(int(line.split()[1]) for line in self._memory.output().splitlines()) / 1024

    def after_boot_ms(self, *units: str) -> dict[str, float]:
        """When each unit was up, from power-up on, less what the test itself did before."""
        key = "ActiveEnterTimestampMonotonic"
        began_s, ended_s = map(float, self.sh(f"cat {PREPARED}").split())
        ours_ms = (ended_s - began_s) * 1000
        return {unit: int(self.show(unit, key)[key]) / 1000 - ours_ms for unit in units}

    def sh(self, command: str, *, fails: bool = False, timeout_s: float = TIMEOUT_S) -> str:
        done = self.guest.run(command, timeout_s)
        if bool(done.status) != fails:
            pytest.fail(f"{command}\n{done}", pytrace=False)
        return done.stdout.strip()

    def show(self, unit: str, *names: str) -> dict[str, str]:
        out = self.sh(f"systemctl show {unit} {' '.join(f'-p {name}' for name in names)}")
        return dict(line.split("=", 1) for line in out.splitlines())

    def now_ns(self) -> int:
        return int(float(self.sh("cut -d' ' -f1 /proc/uptime")) * 1000) * MS

    def changes(self) -> list[tuple[int, int]]:
        """Of the line, since the last call."""
        lines = (self.guest.folder / Path(LINE_LOG).name).read_text().splitlines()
        new, self._seen = lines[self._seen :], len(lines)
        return [(int(t_ns), int(level)) for t_ns, level in map(str.split, new)]

    def energised(self) -> None:
        """Start the unattended sheet, and wait until its coil is on."""
        self.changes()
        journal = "journalctl --namespace=rig -o cat -n 40"
        self.sh(f"systemctl start {UNIT} || {{ {journal}; false; }}")
        until = time.monotonic() + TIMEOUT_S
        while not (found := self.changes()) or found[-1][1] != 1:
            assert time.monotonic() < until, "the line never went high"
            time.sleep(0.05)

    def ended(self, unit: str = UNIT) -> dict[str, str]:
        """How the unit ended, its ExecStopPost included."""
        until = time.monotonic() + TIMEOUT_S
        while self.show(unit, "ActiveState")["ActiveState"] not in ("failed", "inactive"):
            assert time.monotonic() < until, "the unit never ended"
            time.sleep(0.2)
        return self.show(unit, "ActiveState", "Result", "ExecMainStatus")


def struck(watched: Watched, story: Story, name: str, command: str) -> None:
    """A run whose coil is on, broken by `command`."""
    watched.energised()
    story.struck_ns[name] = watched.now_ns()
    watched.sh(command)
    story.ended[name] = watched.ended()
    story.line[name] = watched.changes()


def remember_memory(watched: Watched, story: Story) -> None:
    story.least_free_mib = min(story.least_free_mib, watched.least_free_mib())
    story.swap += watched.sh("tail -n +2 /proc/swaps")
    story.killed_for_memory += watched.sh("grep -v ' 0$' /proc/vmstat | grep oom_kill || true")


def first_boot(guest: Guest, story: Story) -> None:
    watched = Watched(guest)
    story.installed = (guest.folder / "install.log").read_text()
    story.booted = watched.sh("systemctl is-system-running --wait")
    story.line["first boot"] = watched.changes()
    story.safe = watched.sh("journalctl --namespace=rig -u rig-safe -o cat")
    story.page = watched.sh(f"/usr/bin/python3 -c {shlex.quote(PAGE)}")
    story.idle_mib = int(watched.show("rig-serve", "MemoryCurrent")["MemoryCurrent"]) / MIB
    story.boot_ms["first"] = watched.after_boot_ms(*BOOTED)
    simulated = f"rig-run@{SIMULATED}.service"
    watched.sh(f"systemctl start {simulated}")
    story.simulated = watched.ended(simulated)
    story.reported = watched.sh(f"{RIG} report last --out /var/lib/rig/last.html 2>&1")
    board = Board(**json.loads(watched.sh(f"cat {BOARD}")))
    with Plant(guest, board, **PLANT):
        struck(watched, story, "stop", f"systemctl stop {UNIT}")
        struck(watched, story, "watchdog", f"systemctl kill --kill-whom=all -s STOP {UNIT}")
        watched.sh(f"systemctl start {UNIT}", fails=True)
        story.refused = watched.sh(f"journalctl --namespace=rig -u {UNIT} -o cat -n 20")
        watched.changes()
        watched.sh(f"{RIG} clear /etc/rig/bench.setup.toml")
        struck(watched, story, "kill", f"systemctl kill --kill-whom=all -s KILL {UNIT}")
        watched.sh(f"{RIG} clear /etc/rig/bench.setup.toml")
        watched.energised()
        remember_memory(watched, story)
        guest.power_cut()


def second_boot(guest: Guest, story: Story) -> None:
    watched = Watched(guest)
    watched.sh("systemctl is-system-running --wait")
    story.line["second boot"] = watched.changes()
    story.boot_ms["second"] = watched.after_boot_ms(*BOOTED)
    runs = json.loads(watched.sh(f"{RIG} runs --json"))["runs"]
    story.runs = {str(run["run"]): run["status"] for run in runs}
    log = "/var/lib/rig/runs.sqlite"
    watched.sh(f"mv {NEXT_RELEASE}/* /opt/rig/releases/")
    install = f"cd {NEXT} && python3 -m rig.install"
    for name, command in (
        ("installed", ":"), ("upgraded", install), ("rolled back", f"{install} --rollback")
    ):  # fmt: skip
        watched.sh(command)
        watched.sh("systemctl is-system-running --wait")
        story.releases[name] = watched.sh("readlink /opt/rig/current")
        watched.sh(f"sqlite3 {log} .dump > {JOB}/log.sql 2>/dev/null || cp {log} {JOB}/log.sql")
        held = (guest.folder / "log.sql").read_bytes()
        story.log[name] = hashlib.sha256(held).hexdigest()
        story.active[name] = [
            watched.show(unit, "ActiveState")["ActiveState"] for unit in ("rig-safe", "rig-serve")
        ]
    story.line["upgrade"] = watched.changes()
    remember_memory(watched, story)


def known_off(story: Story) -> dict[str, float]:
    """Power-up until every relay line is known to be off, over power-up until a login, by boot."""
    return {boot: units[BOOTED[0]] / units[BOOTED[1]] for boot, units in story.boot_ms.items()}


@pytest.fixture(scope="module")
def story(machine_parts: MachineParts, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    disk = tmp_path_factory.mktemp("disk") / "disk.img"
    installed_disk.make(disk)
    found = Story()
    options = {"disk": disk, "memory_mib": MEMORY_MIB}
    with Guest(machine_parts, before=before(install=True), **options) as guest:
        first_boot(guest, found)
    with Guest(machine_parts, before=before(install=False, driven=True), **options) as guest:
        second_boot(guest, found)
    for boot, ratio in known_off(found).items():
        FIGURES.append(
            f"{boot} boot: line known to be off after {ratio:.2f} of the time to a login"
        )
    FIGURES.append(f"memory of the page's service, idle: {found.idle_mib:.0f} MiB")
    FIGURES.append(
        f"most memory in use: {MEMORY_MIB - found.least_free_mib:.0f} of {MEMORY_MIB} MiB"
    )
    for name in ("stop", "watchdog", "kill"):
        taken_s = (found.line[name][0][0] - found.struck_ns[name]) / 1e9
        FIGURES.append(f"{name} to line low: {taken_s:.1f} s")
    yield found


def test_the_installer_finishes_before_the_first_boot(story: Story) -> None:
    assert story.installed.endswith("\n0\n"), story.installed


def test_a_fresh_machine_boots_with_the_line_off(story: Story) -> None:
    assert story.booted == "running"
    assert {level for _, level in story.line["first boot"]} == {0}
    assert "confirmed off" in story.safe
    assert story.page == "200"


@pytest.mark.parametrize("boot", ["first", "second"])
def test_the_line_is_known_to_be_off_soon_after_the_boot(story: Story, boot: str) -> None:
    assert known_off(story)[boot] <= MOST_OF_A_BOOT


def test_the_smallest_board_has_memory_enough(story: Story) -> None:
    """Page, runs on board and simulated rig, report, upgrade: nothing swapped, nothing killed."""
    assert story.idle_mib <= MOST_IDLE_MIB
    assert (story.swap, story.killed_for_memory) == ("", "")
    assert story.least_free_mib > 0


def test_a_simulated_run_as_a_service_finishes_and_has_its_report(story: Story) -> None:
    assert story.simulated["Result"] == "success", story.simulated
    assert "SIMULATED" in story.reported


@pytest.mark.parametrize("step", ["stop", "watchdog", "kill"])
def test_the_line_goes_low_and_stays(story: Story, step: str) -> None:
    assert [level for _, level in story.line[step]] == [0]


def test_a_stop_ends_with_the_code_of_a_stopped_run(story: Story) -> None:
    """The watchdog does not end a rig that stores and analyses what it has."""
    ended = story.ended["stop"]
    assert (ended["Result"], int(ended["ExecMainStatus"])) == ("exit-code", EXIT_TRIPPED), ended


def test_a_hung_rig_is_killed_by_the_watchdog(story: Story) -> None:
    assert story.ended["watchdog"]["Result"] == "watchdog", story.ended


def test_a_killed_rig_is_a_failed_unit(story: Story) -> None:
    assert story.ended["kill"]["Result"] == "signal", story.ended


def test_a_rig_that_was_lost_does_not_start_again_by_itself(story: Story) -> None:
    assert "rig clear" in story.refused


def test_a_driven_line_is_off_after_the_boot(story: Story) -> None:
    assert [level for _, level in story.line["second boot"]] == [1, 0]


def test_no_run_is_left_running(story: Story) -> None:
    """Simulated, stopped, hung, killed, and without power; the refused start made none."""
    assert len(story.runs) == 5
    assert "running" not in story.runs.values()


def test_an_upgrade_and_the_way_back_leave_line_and_log_alone(story: Story) -> None:
    assert {level for _, level in story.line["upgrade"]} <= {0}
    assert len(set(story.log.values())) == 1
    installed, upgraded, back = story.releases.values()
    assert installed == back != upgraded
    assert all(states == ["active", "active"] for states in story.active.values()), story.active
