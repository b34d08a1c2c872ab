# SPDX-License-Identifier: MIT
"""Faults around a run of real processes on the simulated rig: disk, log, flood, load."""

from __future__ import annotations

import contextlib
import os
import resource
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from live_runs import SETUP, SHEET, LiveRun, live_run, result, rig, wait_gone

from rig.core import messages, places
from rig.core.records import Command, decode
from rig.recorder.raw_file import RawReader

SHORT = SHEET.replace("strokes = 60", "strokes = 8")
HASTY = SETUP.replace("[limits]", '[limits]\nrecorder_lag = "1 s"')


def children(pid: int, module: str) -> list[int]:
    """Processes of a module started by `pid`."""
    found = []
    for listing in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in listing.read_text().split():
            with contextlib.suppress(OSError):
                if module.encode() in Path(f"/proc/{child}/cmdline").read_bytes():
                    found.append(int(child))
    return found


def recorder_of(run: LiveRun) -> int:
    (pid,) = children(run.process.pid, "rig.recorder")
    return pid


def last_command(raw_dir: Path) -> bool:
    """The relay's last command, from the raw file."""
    (path,) = raw_dir.glob("*.raw")
    commands = [r for r in map(decode, RawReader(path).lines()) if isinstance(r, Command)]
    return commands[-1].on


def no_traceback(err: str) -> None:
    assert "Traceback" not in err, err


@contextlib.contextmanager
def hogged(processes: int) -> Iterator[None]:
    """Processes that only use the processor."""
    words = [sys.executable, "-c", "while True: pass"]
    hogs = [subprocess.Popen(words) for _ in range(processes)]
    try:
        yield
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()


def test_a_full_disk_ends_the_run_with_what_was_stored(tmp_path: Path) -> None:
    """The kernel refuses the recorder's next byte: its files may grow no further."""
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        (raw,) = places.raw_dir().glob("*.raw")
        resource.prlimit(recorder_of(run), resource.RLIMIT_FSIZE, (raw.stat().st_size, -1))
        code, _, err = run.finish()
        assert code == 3, err
        no_traceback(err)
        assert "Coil: confirmed off" in err
        with contextlib.closing(sqlite3.connect(places.log_path())) as log:
            assert log.execute("pragma integrity_check").fetchone() == ("ok",)
        assert list(run.stored().records())


def test_a_locked_log_ends_the_run_and_the_raw_file_has_it_all(tmp_path: Path) -> None:
    with live_run(tmp_path, setup=HASTY) as run:
        run.wait_strokes(2)
        with contextlib.closing(sqlite3.connect(places.log_path(), timeout=10)) as log:
            log.execute("begin immediate")
            wait_gone(run)
            log.rollback()
        code, _, err = run.finish()
        assert code == 3, err
        no_traceback(err)
        assert last_command(places.raw_dir()) is False


def test_a_stopped_recorder_trips_the_bench(tmp_path: Path) -> None:
    with live_run(tmp_path, setup=HASTY) as run:
        run.wait_strokes(2)
        pid = recorder_of(run)
        os.kill(pid, signal.SIGSTOP)
        wait_gone(run)
        os.kill(pid, signal.SIGCONT)
        code, out, err = run.finish()
        assert code == 3, err
        assert result(out)["trip"]["rule"] == "recorder behind"
        assert run.state().trip.rule == "recorder behind"
        assert last_command(places.raw_dir()) is False


def test_a_log_folder_that_disappears_leaves_no_coil_on(
    tmp_path: Path, rig_data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    moved, home = tmp_path / "moved", tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("HOME", str(home))  # the records continue there
    with live_run(tmp_path, sheet=SHORT) as run:
        run.wait_strokes(2)
        bench = run.bench_pid()
        shutil.move(rig_data, moved)
        code, _, err = run.finish()
        assert code != 0, "a run without its log is no good run"
        no_traceback(err)
        assert not Path(f"/proc/{bench}").exists()
        assert str(home) in err and last_command(home) is False


@pytest.mark.parametrize("what", ["malformed", "oversized", "beats"])
def test_a_flooded_socket_does_not_disturb_the_run(tmp_path: Path, what: str) -> None:
    data = {"malformed": b"\n{}\n" * 20_000, "oversized": b"x" * 500_000,
            "beats": messages.order("beat") * 3_000}[what]  # fmt: skip
    with live_run(tmp_path, sheet=SHORT) as run:
        run.wait_strokes(1)
        owner = run.state().owner
        until = time.monotonic() + 1.5
        while time.monotonic() < until and run.process.poll() is None:
            with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as peer:
                peer.settimeout(0.2)
                peer.connect(owner.socket)
                peer.sendall(data)
        code, out, err = run.finish()
        assert code == 0, err
        assert result(out)["counts"]["answered"] == 8


def test_hogged_processors_leave_no_coil_on(tmp_path: Path) -> None:
    with hogged(2 * (os.cpu_count() or 1)), live_run(tmp_path, sheet=SHORT) as run:
        run.wait_strokes(2)
        os.kill(run.bench_pid(), signal.SIGKILL)
        code, _, err = run.finish()
        assert code == 7 and "Coil: confirmed off" in err
        assert run.state().trip.rule == "bench lost"


def test_rig_safe_works_while_tripped_and_after_everything_died(tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(1)
        os.kill(run.process.pid, signal.SIGSTOP)
        os.kill(run.bench_pid(), signal.SIGKILL)
        os.kill(run.process.pid, signal.SIGKILL)
    for _ in range(2):
        made = rig("safe")
        assert made.returncode == 0, made.stderr
        assert "no program held the line" in made.stdout
