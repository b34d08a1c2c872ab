# SPDX-License-Identifier: MIT
"""hardware/service: the units say what the safety chain relies on, and their commands exist."""

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

from rig.cli.main import cli

SERVICE = Path(__file__).parents[2] / "hardware/service"
UNITS = sorted(SERVICE.glob("*.service"))
PROGRAM = "/opt/rig/.venv/bin/rig"


def unit(name: str) -> configparser.ConfigParser:
    parser = configparser.ConfigParser(delimiters="=", comment_prefixes="#", interpolation=None)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read_string((SERVICE / name).read_text())  # a key given twice is an error
    return parser


def environment() -> dict[str, str]:
    lines = (SERVICE / "bench.env").read_text().splitlines()
    return dict(line.split("=", 1) for line in lines if line and not line.startswith("#"))


def test_the_unattended_run_is_guarded_by_the_service_manager() -> None:
    """Meaning of the keys: systemd.service(5), systemd.kill(5), sd_notify(3)."""
    service = unit("rig-run@.service")["Service"]
    expected = {
        "Type": "notify",
        "NotifyAccess": "all",  # the bench is not the main process
        "WatchdogSec": "1s",
        "WatchdogSignal": "SIGKILL",  # SIGABRT would wait for a core to be written
        "KillMode": "control-group",  # the hung bench too, not only the desk
        "KillSignal": "SIGINT",  # the recorder ignores it and completes the record
        "Restart": "no",  # nothing arms by itself
        "ExecStopPost": f"{PROGRAM} safe ${{RIG_SETUP}}",
    }
    assert {key: service.get(key) for key in expected} == expected
    assert "PrivateDevices" not in service
    assert "ProtectClock" not in service
    assert "LG_WD=%t/" in service["Environment"]  # lgpio makes a FIFO where it works
    assert "Install" not in unit("rig-run@.service")
    assert unit("rig-run@.service")["Unit"]["Requires"] == "rig-safe.service"
    assert unit("rig-safe.service")["Service"]["Type"] == "oneshot"


def test_all_use_one_data_directory_and_one_user() -> None:
    for path in UNITS:
        service = unit(path.name)["Service"]
        assert "RIG_DATA=%S/rig" in service["Environment"]
        assert (service["User"], service["StateDirectory"]) == ("rig", "rig")
        assert service["ProtectSystem"] == "strict"


@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
def test_their_commands_are_understood(path: Path) -> None:
    service = unit(path.name)["Service"]
    given = environment()
    for key in ("ExecStart", "ExecStopPost"):
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
