# SPDX-License-Identifier: MIT
"""What a person is told when more than one thing goes wrong: the coil comes first."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import click
import pytest
from live_runs import SETUP, SHEET, command, rig, write_files

from rig.cli.main import answer
from rig.core import messages, places, state_file
from rig.core.clock import boot_id
from rig.core.errors import HardwareError
from rig.core.records import OFF_STATES, Trip
from rig.desk import guard, safe

WELDED = SETUP + '[simulated]\nfault = "contact welded"\nfault_after = "500 ms"\n'
STATE = state_file.RigState("no-such-chip-line17", "board", "no-such-chip", 17)


@pytest.mark.parametrize("closed", ["pipe", "full"])
def test_a_live_coil_is_told_although_the_output_is_gone(tmp_path: Path, closed: str) -> None:
    files = write_files(tmp_path, WELDED, SHEET)
    words = command("run", *files, "--fast", "--json")
    if closed == "pipe":
        reader, writer = os.pipe()
        os.close(reader)
    else:
        writer = os.open("/dev/full", os.O_WRONLY)
    try:
        done = subprocess.run(
            words, stdout=writer, stderr=subprocess.PIPE, text=True, timeout=60, check=False
        )
    finally:
        os.close(writer)
    assert done.returncode == 6
    assert done.stderr.index("COIL STILL LIVE") < done.stderr.index("TRIPPED")


def test_an_unreached_ramp_says_why_it_was_stopped(tmp_path: Path) -> None:
    sheet = 'kind = "ramp"\nramps = 1\nlow = "5 psi"\nhigh = "75 psi"\nramp_time_max = "200 ms"\n'
    done = rig("run", *write_files(tmp_path, SETUP, sheet), "--fast", "--json")
    assert done.returncode == 3
    assert "Stopped: Ramp 1: the pressure did not reach" in done.stderr
    assert "did not reach" in done.stdout


def test_a_line_that_cannot_be_taken_is_not_called_off(monkeypatch: pytest.MonkeyPatch) -> None:
    def cannot(*_: object, **__: object) -> str:
        raise HardwareError("busy")

    monkeypatch.setattr(guard, "drive_off", cannot)
    process = subprocess.Popen(["sleep", "60"])
    taken = guard.Guard(STATE).take_over(process)
    assert taken.off is None
    assert "COIL NOT CONFIRMED OFF" in taken.words and "pull the fuse" in taken.words
    assert process.wait(5) == -signal.SIGKILL


def test_one_damaged_state_file_does_not_keep_rig_safe_from_the_others(tmp_path: Path) -> None:
    assert rig("run", *write_files(tmp_path), "--fast").returncode == 0
    (places.state_dir() / "another.json").write_text('{"half')
    made = rig("safe")
    assert made.returncode == 6
    assert "another: COIL NOT CONFIRMED OFF" in made.stderr
    assert "simulated-line17: confirmed off" in made.stdout


def test_rig_safe_takes_the_line_from_the_setup_where_the_file_is_damaged(tmp_path: Path) -> None:
    setup, _ = write_files(tmp_path)
    state_file.state_path(places.state_dir(), "simulated-line17").write_text('{"half')
    made = rig("safe", setup)
    assert made.returncode == 0
    assert made.stdout.startswith("simulated-line17: confirmed off; no program held the line.")


def test_a_bench_that_only_waited_is_not_said_to_have_been_killed(tmp_path: Path) -> None:
    """It answers a stop with a refusal, since nothing had begun, and ends by itself."""
    path = state_file.state_path(tmp_path, "simulated-line17")
    code = (
        "import socket, sys\n"
        "s = socket.socket(socket.AF_UNIX); s.bind(sys.argv[1]); s.listen(); print(flush=True)\n"
        "p, _ = s.accept(); p.recv(1000); p.sendall(sys.argv[2].encode()); p.close()\n"
    )
    refused = messages.tell("refused", why="Not started: rig safe.", exit_code=3) + "\n"
    words = [sys.executable, "-c", code, str(tmp_path / "s"), refused]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as bench:
        assert bench.stdout is not None and bench.stdout.readline()
        started = state_file.process_started(bench.pid)
        owner = state_file.Owner(bench.pid, started, boot_id(), str(tmp_path / "s"))
        simulated = replace(STATE, rig="simulated-line17", backend="simulated", owner=owner)
        state_file.write(path, simulated)
        made = safe.make_safe(path)
    assert made is not None and "had not begun, and ended" in made.words
    assert bench.returncode == 0, "it ended by itself"


def test_a_release_that_cannot_be_written_does_not_hide_that_the_coil_is_off(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    dead = state_file.Owner(1, 1, "another boot")
    path = places.state_dir() / "simulated-line17.json"
    state_file.write(path, replace(STATE, rig="simulated-line17", backend="simulated", owner=dead))

    def read_only(*_: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(state_file, "release", read_only)
    made = safe.make_safe(path)
    assert made is not None and made.off in OFF_STATES[:2]


def test_a_latch_is_written_where_the_file_is_lost_or_damaged() -> None:
    trip = Trip("duty", 1.0, 1.0, "%", 1, "much")
    path = places.state_dir() / "no-such-chip-line17.json"
    state_file.write_latch(path, trip, 1.0, STATE)
    assert state_file.read(path).trip == trip
    path.write_text("{")
    state_file.write_latch(path, trip, 1.0, STATE)
    assert state_file.read(path).trip == trip and path.with_suffix(".damaged").exists()


def test_stopped_says_nothing_of_the_coil(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(click.Group, "invoke", interrupted)
    assert answer(["runs"]) == 3
    assert capsys.readouterr().err == "Stopped.\n"


def test_a_data_folder_with_a_very_long_name_is_refused_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RIG_DATA", str(tmp_path / ("x" * 120)))
    done = rig("run", *write_files(tmp_path))
    assert done.returncode == 2 and "too long" in done.stderr and "Traceback" not in done.stderr


def test_a_data_folder_that_cannot_be_made_is_refused_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RIG_DATA", "/dev/null/x")
    done = rig("run", *write_files(tmp_path), "--fast")
    assert done.returncode == 4 and "RIG_DATA" in done.stderr and "Traceback" not in done.stderr


def test_the_seed_of_the_setup_stands_in_the_result(tmp_path: Path) -> None:
    done = rig(
        "run", *write_files(tmp_path, SETUP + "[simulated]\nseed = 99\n"), "--fast", "--json"
    )
    assert '"seed": 99' in done.stdout
