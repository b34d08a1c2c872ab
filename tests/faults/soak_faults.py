# SPDX-License-Identifier: MIT
"""Faults that a run must survive, injected at random instants into a run of real processes."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable

from live_runs import LiveRun

from rig.core import messages, places

CALM_S = (0.1, 1.2)
"""Between two faults; under a second on average, so that they also meet."""
PAUSE_DESK_S = 0.12
"""Well below the link time of 0.3 s: a longer silence ends the run, as it should."""
PAUSE_RECORDER_S = 0.6
"""Below the lag that ends the run."""
LOCK_LOG_S = 0.4


class RandomFaults:
    """Inject faults while entered. `thrown` counts them by name; `broke` lists those that failed
    to."""

    def __init__(self, run: LiveRun, seed: int) -> None:
        self._run, self._dice = run, random.Random(seed)
        self._desk, self._recorder = run.process.pid, run.recorder_pid()
        state = run.state()
        assert state is not None and state.owner is not None
        self._socket = state.owner.socket
        self.thrown: Counter[str] = Counter()
        self.broke: list[str] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._throw, name="random faults")

    def __enter__(self) -> RandomFaults:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _throw(self) -> None:
        kinds: dict[str, Callable[[], None]] = {
            "recorder paused": lambda: self._pause(self._recorder, PAUSE_RECORDER_S),
            "desk paused": lambda: self._pause(self._desk, PAUSE_DESK_S),
            "log locked": self._lock_log,
            "watcher came and went": lambda: self._watch(b"", 0.3),
            "watcher that does not read": lambda: self._watch(b"", 1.5, read=False),
            "malformed messages": lambda: self._watch(b"\n{}\n[[[\n" * 500, 0.1),
            "oversized message": lambda: self._watch(b"x" * 200_000, 0.1),
            "orders not its own": lambda: self._watch(messages.order("arm") * 200, 0.1),
            "processor hogged": self._hog,
        }
        while not self._over.wait(self._dice.uniform(*CALM_S)):
            name = self._dice.choice(sorted(kinds))
            if self._run.process.poll() is not None:
                return
            try:
                kinds[name]()
            except ProcessLookupError:  # the run ended meanwhile
                return
            except (OSError, sqlite3.Error) as error:
                self.broke.append(f"{name}: {error}")
            else:
                self.thrown[name] += 1

    def _pause(self, pid: int, seconds: float) -> None:
        os.kill(pid, signal.SIGSTOP)
        try:
            time.sleep(self._dice.uniform(0.2, 1.0) * seconds)
        finally:
            os.kill(pid, signal.SIGCONT)

    def _lock_log(self) -> None:
        with contextlib.closing(sqlite3.connect(places.log_path(), timeout=10)) as log:
            log.execute("begin immediate")
            time.sleep(self._dice.uniform(0.2, 1.0) * LOCK_LOG_S)
            log.rollback()

    def _watch(self, data: bytes, seconds: float, *, read: bool = True) -> None:
        """Connect as any program of this user may, send something, and leave without notice."""
        with socket.socket(socket.AF_UNIX) as peer:
            peer.settimeout(0.2)
            peer.connect(self._socket)
            with contextlib.suppress(OSError):  # a flood is disconnected
                peer.sendall(data)
            until = time.monotonic() + self._dice.uniform(0.2, 1.0) * seconds
            while time.monotonic() < until and not self._over.is_set():
                if not read:
                    time.sleep(0.02)
                    continue
                try:
                    if not peer.recv(65_536):
                        return
                except TimeoutError:
                    continue
                except ConnectionError:  # disconnected, as it should be
                    return

    def _hog(self) -> None:
        words = [sys.executable, "-c", "while True: pass"]
        with subprocess.Popen(words) as hog:
            time.sleep(self._dice.uniform(0.1, 0.5))
            hog.kill()
