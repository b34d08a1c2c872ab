# SPDX-License-Identifier: MIT
"""The desk's connections: orders and beats out, tellings and records in, and the recorder's
status."""

from __future__ import annotations

import contextlib
import json
import os
import select
import time
from collections.abc import Callable

from rig.core import messages
from rig.core.json_values import JsonObject
from rig.desk.processes import Processes
from rig.desk.signals import StopSignals

JUST_OVER_S = 0.001
"""Makes an awaited silence exceed the limit, not just reach it."""


class Wires:
    """Reads and beats once a turn. `heard` is when the bench last sent anything (monotonic, s),
    `stop_why` why a signal or a person wants the run to end."""

    def __init__(
        self, processes: Processes, signals: StopSignals, on_record: Callable[[bytes], None]
    ) -> None:
        self._processes, self._signals, self._on_record = processes, signals, on_record
        self._sock = processes.desk
        self._in, self._status_in = b"", b""
        self.heard = time.monotonic()
        self._next_beat = 0.0
        self._told: list[JsonObject] = []
        self.recorder_told: list[JsonObject] = []
        self._recorder_state: dict[str, float | None] = {}
        self._unanswered: float | None = None  # since when a record has awaited a report
        self.recorder_open = True
        self.bench_gone = False
        self.stop_why: str | None = None

    def turn(self, silence_s: float | None = None) -> None:
        """Beat when due, wait briefly, read everything that has arrived. Returns as soon as the
        bench has been silent for `silence_s`: the guard need not wait for the next beat."""
        now = time.monotonic()
        if now >= self._next_beat:
            self._next_beat = now + messages.BEAT_S
            self.beat(now)
        descriptors = [self._sock.fileno()] if not self.bench_gone else []
        if self.recorder_open:
            descriptors.append(self._processes.status)
        descriptors.append(self._signals.fileno())
        now = time.monotonic()
        until = min(self._next_beat, now + messages.BEAT_S)
        if silence_s is not None:
            until = min(until, self.heard + silence_s + JUST_OVER_S)
        ready, _, _ = select.select(descriptors, [], [], max(0.0, until - now))
        # a desk that itself stood still (SIGCONT) finds its time used up, and nothing looked at
        ready = ready or select.select(descriptors, [], [], 0)[0]
        if self._sock.fileno() in ready:
            self._read_bench()
        if self._processes.status in ready:
            self._read_recorder()
        self._signals.drain()
        self.stop_why = self.stop_why or self._signals.why

    def beat(self, now: float) -> None:
        """Send a beat with the recorder's last report."""
        self.order("beat", "", **self._recorder_now(now))

    def _recorder_now(self, now: float) -> dict[str, float | None]:
        """The recorder's last report. A stalled recorder reports nothing, so its silence counts."""
        silent_s = 0.0 if self._unanswered is None else now - self._unanswered
        lag_s = max(silent_s, self._recorder_state.get("lag_s") or 0.0)
        return self._recorder_state | {"lag_s": lag_s}

    def order(self, name: str, why: str = "", **recorder: float | None) -> None:
        """Send an order to the bench."""
        with contextlib.suppress(OSError):  # a bench that has gone shows up on reading
            self._sock.send(messages.order(name, why, **recorder))

    def _read_bench(self) -> None:
        try:
            data = self._sock.recv(1 << 18)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self.bench_gone = True
            return
        self.heard = time.monotonic()
        *lines, self._in = (self._in + data).split(b"\n")
        for line in lines:
            if line.startswith(b"["):
                self._unanswered = self._unanswered or time.monotonic()
                self._on_record(line)
            else:
                self._told.append(messages.read_telling(line))

    def _read_recorder(self) -> None:
        data = os.read(self._processes.status, 65_536)
        if not data:
            self.recorder_open = False
            return
        self._unanswered = None
        *lines, self._status_in = (self._status_in + data).split(b"\n")
        for line in lines:
            if line:
                told = json.loads(line)
                self.recorder_told.append(told)
                known = {key: told[key] for key in ("lag_s", "free_mb") if key in told}
                self._recorder_state.update(known)

    def take_told(self) -> list[JsonObject]:
        """The bench's tellings since the last call."""
        told, self._told = self._told, []
        return told
