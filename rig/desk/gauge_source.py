# SPDX-License-Identifier: MIT
"""Readings for a person: from the rig's own gauge, or overheard from the bench that holds it.

A port is never opened alongside a running bench: its readings are then taken from the bench's
socket.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from rig.core import messages, state_file
from rig.core.errors import HardwareError, RefusedError, RigError
from rig.core.json_values import JsonObject
from rig.core.ports import Hardware
from rig.core.records import GOOD, Block, Condition, Sample, decode
from rig.core.state_file import RigState

Item = Sample | Condition
HEARD_MOST = 1 << 18


class Counts:
    """Events on the wire so far; None if unknown from here."""

    frames: int | None = None
    rejected: int | None = None
    unanswered: int | None = None
    latency_ms: float | None = None


class Source(Protocol):
    """Where readings come from. `raw` holds (t_ns, bytes) since the last call, if requested."""

    counts: Counts

    def read(self, wait_s: float) -> list[Item]:
        """Wait up to `wait_s` for a reading, and take everything available."""

    def raw(self) -> list[tuple[int, bytes]]: ...

    def close(self) -> None: ...


class PortSource:
    """The gauge's own port. `gauge` is a StreamGauge or AskedGauge (rig.io.gauges.open_gauge)."""

    def __init__(self, gauge: object, close: Callable[[], None], *, tap: bool = False) -> None:
        from rig.io.gauges.open_gauge import Gauge

        self._gauge: Gauge = gauge  # type: ignore[assignment]
        self._close, self.counts = close, Counts()
        if tap:
            self._gauge.tap = []

    def read(self, wait_s: float) -> list[Item]:
        fd = self._gauge.fileno()
        select.select([] if fd is None else [fd], [], [], wait_s)
        items = self._gauge.read()
        counts = self.counts
        counts.frames, counts.rejected = self._gauge.frames_ok, self._gauge.frames_rejected
        counts.unanswered = getattr(self._gauge, "unanswered", None)
        late_ns = getattr(self._gauge, "latency_ns", None)
        counts.latency_ms = None if late_ns is None else late_ns / 1e6
        return items

    def raw(self) -> list[tuple[int, bytes]]:
        if self._gauge.tap is None:
            return []
        taken, self._gauge.tap = self._gauge.tap, []
        return taken

    def close(self) -> None:
        self._close()


class RigSource(PortSource):
    """The whole rig, opened but not energised: its gauge, if it has one, and its converter.

    For a fast channel, shows the mean of each block at the block's last instant.
    """

    def __init__(self, hardware: Hardware, close: Callable[[], None], *, tap: bool = False) -> None:
        self._analog, self._port = hardware.analog, hardware.gauge
        if self._port is not None:
            super().__init__(self._port, close, tap=tap)
        else:
            self._close, self.counts = close, Counts()

    def read(self, wait_s: float) -> list[Item]:
        analog = self._analog
        if analog is None:
            return super().read(wait_s)
        until_ns = time.monotonic_ns() + round(wait_s * 1e9)
        while (now_ns := time.monotonic_ns()) < until_ns:
            if now_ns >= analog.due_ns:
                analog.sample()
            else:
                time.sleep(min(analog.due_ns - now_ns, until_ns - now_ns) / 1e9)
        out: list[Item] = []
        for item in analog.drain():
            out.append(_mean(item) if isinstance(item, Block) else item)
        return out + (super().read(0.0) if self._port is not None else [])

    def raw(self) -> list[tuple[int, bytes]]:
        return super().raw() if self._port is not None else []


def _mean(block: Block) -> Sample:
    """One reading for a block; not believed if any part of the block is not."""
    t_ns = block.t_ns + sum(block.steps_ns)
    bad = next((str(quality) for _, quality in block.runs if quality != GOOD), None)
    if bad is not None:
        return Sample(block.channel, None, t_ns, bad)
    value = block.offset + block.scale * sum(block.codes) / len(block.codes)
    return Sample(block.channel, value, t_ns, GOOD)


class BenchSource:
    """Overhears a running bench: its records during a run, its status before and after."""

    def __init__(self, path: str) -> None:
        self.counts = Counts()
        self._buffer, self._status_ns = b"", 0
        self._records = False
        self._refused = ""
        self._seen: dict[str, int] = {}
        self._sock = socket.socket(socket.AF_UNIX)
        try:
            self._sock.connect(path)
        except OSError as error:
            self._sock.close()
            raise HardwareError(
                f"The bench that has this rig does not answer ({error.strerror}). Look whether a "
                "run goes on; `rig safe` ends it."
            ) from error
        self._sock.setblocking(False)

    def read(self, wait_s: float) -> list[Item]:
        select.select([self._sock], [], [], wait_s)
        try:
            data = self._sock.recv(HEARD_MOST)
        except BlockingIOError:
            return []
        except OSError:
            data = b""
        if not data:
            raise HardwareError(
                self._refused or "The bench has ended, so nothing reads the gauge any more."
            )
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        out: list[Item] = []
        for line in lines:
            with contextlib.suppress(ValueError):
                out += self._heard(line)
        return out

    def _heard(self, line: bytes) -> list[Item]:
        if line.startswith(b"["):
            record = decode(line)
            if isinstance(record, Sample):
                self._records = True
                return [record]
            return [record] if isinstance(record, Condition) else []
        told = messages.read_telling(line)
        if told["tell"] == "status":
            others = self._channels(told)
            return others + self._pressure(told)
        if told["tell"] == "refused":
            self._refused = f"The bench has ended the connection: {told['why']}."
        return []

    def _channels(self, told: JsonObject) -> list[Item]:
        """The channels other than pressure, when no records contain them."""
        now_ns, out = int(told["t_ns"]), list[Item]()
        for name, (value, age_s) in (told.get("channels") or {}).items():
            t_ns = now_ns - round(float(age_s) * 1e9)
            if value is not None and t_ns > self._seen.get(name, 0) and not self._records:
                self._seen[name] = t_ns
                out.append(Sample(name, float(value), t_ns, GOOD))
        return out

    def _pressure(self, told: JsonObject) -> list[Item]:
        value, age_s = told.get("pressure_kpa"), told.get("pressure_age_s")
        if self._records or value is None or age_s is None:
            return []
        t_ns = int(told["t_ns"]) - round(float(age_s) * 1e9)
        if t_ns <= self._status_ns:
            return []
        self._status_ns = t_ns
        return [Sample("pressure", float(value), t_ns, GOOD)]

    def raw(self) -> list[tuple[int, bytes]]:
        return []

    def close(self) -> None:
        self._sock.close()


def running(states: Path, rig: str) -> RigState | None:
    """The state of a rig whose bench is running now."""
    with contextlib.suppress(RigError):
        state = state_file.read(state_file.state_path(states, rig))
        if state is not None and state.owner is not None and state.owner.alive():
            return state
    return None


def refuse_port_in_use(states: Path, port: str) -> None:
    """Raises RefusedError if a running bench has this port, under any name."""
    real = os.path.realpath(port)
    for path in state_file.state_files(states):
        state = None
        with contextlib.suppress(RigError):  # a damaged one says nothing about this port
            state = state_file.read(path)
        if state is None or state.owner is None or not state.owner.alive():
            continue
        gauge = state.plan.get("gauge") or {}
        if os.path.realpath(str(gauge.get("port", ""))) == real:
            raise RefusedError(
                f"{port} belongs to the rig {state.rig}, whose bench runs now (process "
                f"{state.owner.pid}). Wait for the end of its run; `rig gauge SETUP` shows what it "
                "reads.",
                id_="refusal.port-in-use",
            )
