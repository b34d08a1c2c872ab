# SPDX-License-Identifier: MIT
"""rig/install/files: the units say what the safety chain relies on, and their commands exist."""

from __future__ import annotations

import configparser
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest

from rig.bench.bench import TAIL_NS
from rig.bench.interlock.rule import TICK_S
from rig.bench.notify import FEEDS_PER_PERIOD
from rig.cli.main import cli
from rig.config.ranges import SETUP_RANGES
from rig.install import table

SERVICE = table.FILES
UNITS = sorted(SERVICE.glob("*.service"))
PROGRAM = f"/{table.HOME}/current/.venv/bin/rig"


def unit(name: str) -> configparser.ConfigParser:
    parser = configparser.ConfigParser(delimiters="=", comment_prefixes="#", interpolation=None)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    text = (SERVICE / name).read_text()  # of the other keys, one given twice is an error
    parser.read_string(
        "".join(x for x in text.splitlines(True) if not x.startswith("DeviceAllow="))
    )
    return parser


def environment() -> dict[str, str]:
    lines = (SERVICE / "bench.env.example").read_text().splitlines()
    return dict(line.split("=", 1) for line in lines if line and not line.startswith("#"))


def test_the_watchdog_outlasts_the_end_of_a_run_that_tripped() -> None:
    """From the last feed (a third of the time old, and a tick) over the tail to a read-back that
    never goes dead, with the longest delay a setup may have; a quarter of a second for a small
    board."""
    watchdog_s = float(unit("rig-run@.service")["Service"]["WatchdogSec"].removesuffix("s"))
    longest_s = SETUP_RANGES["limits", "readback_delay_s"].high / 1e3
    unfed_s = watchdog_s / FEEDS_PER_PERIOD + TICK_S + TAIL_NS / 1e9 + longest_s
    assert unfed_s + 0.25 < watchdog_s


def test_the_unattended_run_is_guarded_by_the_service_manager() -> None:
    """Meaning of the keys: systemd.service(5), systemd.kill(5), sd_notify(3)."""
    service = unit("rig-run@.service")["Service"]
    expected = {
        "Type": "notify",
        "NotifyAccess": "all",  # the bench is not the main process
        "WatchdogSec": "3s",
        "WatchdogSignal": "SIGKILL",  # SIGABRT would wait for a core to be written
        "KillMode": "control-group",  # the hung bench too, not only the desk
        "KillSignal": "SIGINT",  # the recorder ignores it and completes the record
        "Restart": "no",  # nothing arms by itself
        "ExecStartPre": f"{PROGRAM} safe ${{RIG_SETUP}}",
        "ExecStopPost": f"{PROGRAM} safe ${{RIG_SETUP}}",
    }
    assert {key: service.get(key) for key in expected} == expected
    assert "PrivateDevices" not in service
    assert "ProtectClock" not in service
    assert "LG_WD=%t/" in service["Environment"]  # lgpio makes a FIFO where it works
    assert "Install" not in unit("rig-run@.service")
    # Requires= would hand a restart of rig-safe on, and a coil would be energised by itself
    # (systemd.unit(5), Requires=)
    run = unit("rig-run@.service")
    assert run["Unit"]["Wants"] == run["Unit"]["After"] == "rig-safe.service"
    assert not {"Requires", "BindsTo", "PartOf", "Requisite", "Upholds"} & set(run["Unit"])
    assert run["Service"]["Restart"] == "no"
    assert unit("rig-safe.service")["Service"]["Type"] == "oneshot"


def test_making_safe_is_not_cut_short() -> None:
    """Half a minute was seen under a real service manager at a load of 30 on two processors."""
    run, safe = unit("rig-run@.service")["Service"], unit("rig-safe.service")["Service"]
    for limit in (run["TimeoutStopSec"], run["TimeoutStartSec"], safe["TimeoutStartSec"]):
        assert int(limit.removesuffix("s")) >= 120


def test_all_use_one_data_directory_and_one_user() -> None:
    for path in UNITS:
        service = unit(path.name)["Service"]
        assert "RIG_DATA=%S/rig" in service["Environment"]
        assert (service["User"], service["StateDirectory"]) == ("rig", "rig")
        assert service["ProtectSystem"] == "strict"
        assert service["CapabilityBoundingSet"] == ""
        assert service["LogNamespace"] == "rig"


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_their_commands_are_understood(path: Path) -> None:
    service = unit(path.name)["Service"]
    given = environment()
    for key in ("ExecStartPre", "ExecStart", "ExecStopPost"):
        if key not in service:
            continue
        program, name, *words = service[key].split()
        assert program == PROGRAM
        filled: list[str] = []
        for word in words:  # ${A} is one word, $A is split: systemd.service(5), command lines
            variable = re.fullmatch(r"\$(\{?)(\w+)\}?", word)
            if variable is None:
                assert name == "safe" and word == "/etc/rig"
                filled.append(word)
                continue
            value = given[variable[2]]
            filled += [value] if variable[1] else shlex.split(value)
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        context = command.make_context(name, filled)
        if name == "run":
            assert context.params["confirmed_by"]


def test_the_recorder_ignores_the_signal_that_stops_the_unit() -> None:
    import signal

    from rig.desk.signals import NAMES
    from rig.recorder.__main__ import IGNORED

    number = signal.Signals[unit("rig-run@.service")["Service"]["KillSignal"]]
    assert number in IGNORED
    assert number in NAMES  # the desk stops the run on it


def test_the_devices_a_rig_opens_are_allowed() -> None:
    """Names of the kernel's drivers, as in /proc/devices (kernel: Documentation/admin-guide/
    devices.txt for ttyS and ttyUSB; gpiochip and spi from memory)."""
    for name in ("rig-run@.service", "rig-safe.service"):
        lines = (SERVICE / name).read_text().splitlines()
        allowed = {line.split("=")[1] for line in lines if line.startswith("DeviceAllow=")}
        drivers = ("gpiochip", "spi", "ttyUSB", "ttyACM", "ttyAMA", "ttyS")
        assert allowed == {f"char-{driver} rw" for driver in drivers}


EXPOSURE = {"rig-run@.service": 2.0, "rig-safe.service": 2.0, "rig-serve.service": 2.0}
"""At most, of 10; the help page has what systemd 252 finds, and other releases count otherwise."""


def test_their_exposure_is_at_most_the_published_one(tmp_path: Path) -> None:
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        return
    for name, most in EXPOSURE.items():
        (tmp_path / name).write_text((SERVICE / name).read_text())
        done = subprocess.run(
            [analyze, "security", "--offline=true", "--no-pager", str(tmp_path / name)],
            capture_output=True, text=True, timeout=60,
        )  # fmt: skip
        found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
        assert found is not None, done.stderr
        assert float(found[1]) <= most, name


def test_systemd_itself_finds_nothing_wrong(tmp_path: Path) -> None:
    """Where systemd-analyze is installed; the tests above need nothing."""
    verify = shutil.which("systemd-analyze")
    if verify is None:
        return
    for path in UNITS:
        text = path.read_text().replace(PROGRAM, sys.executable)
        (tmp_path / path.name).write_text(text)
    names = sorted(str(tmp_path / path.name) for path in UNITS)

    def complaints() -> list[str]:
        done = subprocess.run(
            [verify, "verify", "--man=no", "--generators=no", *names],
            capture_output=True, text=True, timeout=60,
            env={**os.environ, "SYSTEMD_UNIT_PATH": f"{tmp_path}:"},
        )  # fmt: skip
        return [line for line in done.stderr.splitlines() if "rig-" in line]

    assert complaints() == []
    spoilt = tmp_path / "rig-run@.service"
    spoilt.write_text(spoilt.read_text().replace("WatchdogSec=", "WatchdogSecond="))
    assert any("WatchdogSecond" in line for line in complaints())
