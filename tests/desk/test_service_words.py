# SPDX-License-Identifier: MIT
"""What a service manager hears of a real run: ready, alive from the loop alone, stopping."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import time
from pathlib import Path

import pytest
from live_runs import SHEET, LiveRun, live_run

SHORT = SHEET.replace("strokes = 60", "strokes = 6")


class Manager:
    """The receiving end of NOTIFY_SOCKET."""

    def __init__(self, path: Path) -> None:
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.sock.bind(str(path))
        self.sock.setblocking(False)
        self.told: list[str] = []

    def listen(self) -> list[str]:
        """What has come since the last time; the kernel queues only a few."""
        new = []
        with contextlib.suppress(BlockingIOError):
            while True:
                new.append(self.sock.recv(4096).decode())
        self.told += new
        return new

    def listen_until_end(self, run: LiveRun) -> None:
        until = time.monotonic() + 60
        while run.process.poll() is None and time.monotonic() < until:
            self.listen()
            time.sleep(0.02)
        self.listen()


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    made = Manager(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "300000")
    yield made
    made.sock.close()


def test_ready_then_alive_then_stopping(manager: Manager, tmp_path: Path) -> None:
    with live_run(tmp_path, sheet=SHORT) as run:
        manager.listen_until_end(run)
        assert run.finish()[0] == 0
    words = [word.split("\n")[0] for word in manager.told]
    assert words.count("READY=1") == words.count("STOPPING=1") == 1
    between = words[words.index("READY=1") + 1 : words.index("STOPPING=1")]
    # six strokes take 1.8 s, in which a third of 0.3 s passes 18 times; the machine may be busy
    assert set(between) == {"WATCHDOG=1"}
    assert len(between) >= 5
    assert words[-1] == "STOPPING=1"  # the time after it, for storing and analysing, is not watched


def test_a_bench_that_stands_still_feeds_nothing(manager: Manager, tmp_path: Path) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(1)
        pid = run.bench_pid()
        os.kill(pid, signal.SIGSTOP)
        while "(stopped)" not in Path(f"/proc/{pid}/status").read_text():
            time.sleep(0.005)
        manager.listen()
        before = list(manager.told)
        manager.listen_until_end(run)  # the guard ends it, and no thread feeds in its place
        code, _, err = run.finish()
        assert code == 7
        assert "the guard ended it" in err
    assert {"READY=1", "WATCHDOG=1"} <= set(before)
    assert manager.told == before
