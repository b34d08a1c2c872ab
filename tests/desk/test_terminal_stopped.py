# SPDX-License-Identifier: MIT
"""A terminal that does not read (Ctrl-S, a stalled shell) holds up neither link nor guard."""

from __future__ import annotations

import contextlib
import os
import pty
import select
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from live_runs import SETUP, SHEET, LiveRun, command, wait_gone, write_files

CTRL_S, CTRL_Q = b"\x13", b"\x11"


@contextlib.contextmanager
def on_terminal(folder: Path, sheet: str) -> Iterator[tuple[LiveRun, int]]:
    """`rig run` on a pseudo-terminal; the master's descriptor."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        command("run", *write_files(folder, SETUP, sheet)),
        stdin=slave,
        stdout=slave,
        stderr=slave,
        start_new_session=True,
    )
    os.close(slave)
    run = LiveRun(process, folder)
    try:
        yield run, master
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        os.close(master)
        wait_gone(run)


def read_to_end(run: LiveRun, master: int, within_s: float = 60) -> str:
    """Let the terminal go on, and read until the program has ended."""
    os.write(master, CTRL_Q)
    said, until = b"", time.monotonic() + within_s
    while time.monotonic() < until:
        if select.select([master], [], [], 0.1)[0]:
            try:
                said += os.read(master, 65_536)
            except OSError:
                break
        elif run.process.poll() is not None:
            break
    run.process.wait(5)
    return said.decode(errors="replace")


def wait_stored(run: LiveRun, within_s: float) -> str:
    """How the run ended, once the recorder has closed it."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        with contextlib.suppress(Exception):
            status = run.stored().status
            if status != "running":
                return status
        time.sleep(0.1)
    raise AssertionError("the run did not end")


@pytest.mark.parametrize("when", ["before the preflight", "in mid-run"])
def test_a_terminal_that_stops_reading_does_not_end_the_run(tmp_path: Path, when: str) -> None:
    sheet = SHEET.replace("strokes = 60", "strokes = 25")
    with on_terminal(tmp_path, sheet) as (run, master):
        if when == "in mid-run":
            run.wait_strokes(3)
            os.write(master, CTRL_S)
            assert wait_stored(run, 40) == "finished"
        else:
            os.write(master, CTRL_S)
            time.sleep(4.0)  # longer than link and guard time, with the preflight unread
        said = read_to_end(run, master)
        assert run.process.returncode == 0, said
        assert run.stored().status == "finished"
    state = run.state()
    assert state is not None and state.trip is None, said
    assert "bench process" not in said and "desk silent" not in said


def test_the_guard_works_while_the_terminal_is_stopped(tmp_path: Path) -> None:
    """A bench that hangs is ended all the same, and its trip is latched."""
    with on_terminal(tmp_path, SHEET) as (run, master):
        run.wait_strokes(3)
        os.write(master, CTRL_S)
        time.sleep(1.0)
        os.kill(run.bench_pid(), signal.SIGSTOP)
        until = time.monotonic() + 5
        latched = None
        while latched is None and time.monotonic() < until:
            time.sleep(0.05)
            state = run.state()
            latched = state.trip if state is not None else None
        assert latched is not None and latched.rule == "bench lost"
        said = read_to_end(run, master)
        assert run.process.returncode == 7 and "the guard ended it" in said
