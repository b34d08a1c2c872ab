# SPDX-License-Identifier: MIT
"""One run from the desk's side: orders out, tellings and records in, beats, guard, signals."""

from __future__ import annotations

import contextlib
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from rig.core import coil_heat, state_file
from rig.core.errors import EXIT_COIL_LIVE, EXIT_INTERNAL, STILL_LIVE, CoilLiveError, RigError
from rig.core.json_values import JsonObject
from rig.core.preflight import Preflight, from_plain
from rig.core.records import BENCH_LOST, OFF_STATES, Condition, End, Trip, decode, readback_doubted
from rig.core.state_file import RigState
from rig.desk.guard import Guard
from rig.desk.outcome import Outcome
from rig.desk.processes import Processes, socket_path
from rig.desk.signals import StopSignals
from rig.desk.wires import Wires

RECORDER_TIMEOUT_S = 30.0
"""Wait for the last records to be stored: the coil is off, and a busy card may take its time."""
ALARM_S = 0.3
"""How long showing an alarm may take before the rig is latched anyway."""
TRIP_TOLD_S = 1.0
"""Deadline for reporting a trip, even if the last records are not stored yet."""
IN_TIME_S = 1.0
"""If the guard acts within its time plus this, the coil was watched up to then."""
BENCH_END_S = 2.0
"""Time for a bench that has reported the end to give back its line and record that; after this it
is left for close."""
START_TIMEOUT_S = 60.0
"""Wait for bench and recorder to start: nothing is energised yet, and a busy small board is
slow."""


class Watcher:
    """How a desk reacts to what it receives; overriding any method is optional."""

    def record(self, line: bytes) -> None: ...
    def status(self, status: JsonObject) -> None: ...
    def guide(self, instruction: str) -> None: ...
    def recorder(self, told: JsonObject) -> None: ...
    def stopping(self, why: str) -> None: ...
    def alarm(self, words: str) -> None:
        """A warning the person must get now: the rig is no longer under control."""


class EarlyStop(Protocol):
    """Weighs strokes as they arrive (rig.desk.early_stop); loaded only if the sheet asks for it."""

    def record(self, line: bytes) -> str | None:
        """Take one record's line; says once why the run may end."""


class Session:
    """Drives one run and guards it. Signals command the coil off first and keep the run."""

    def __init__(
        self,
        processes: Processes,
        state: Path,
        rig: RigState,
        guard_time_s: float,
        signals: StopSignals,
    ) -> None:
        self._rig = rig
        self._processes, self._state, self._guard_s = processes, state, guard_time_s
        self._signals = signals
        self._wires = Wires(processes, signals, self._see_record)
        self._readback_doubted = False
        self._ordered_stop = self._stored = False
        self._guarding = Guard(rig)
        self.outcome = Outcome()
        self.watcher = Watcher()
        self.early: EarlyStop | None = None
        self.armed_from = ""
        """"page" if no terminal is at the rig: its confirm button is then required."""

    # -- the steps of a run

    def open(self, plan: JsonObject) -> Preflight | None:
        """Send the plan and wait for the preflight; None if the bench refused or died."""
        with contextlib.suppress(OSError):  # a bench that has gone shows up on reading
            self._processes.send_plan(
                plan | {"state": str(self._state), "socket": str(socket_path(self._state))}
            )
        until = time.monotonic() + START_TIMEOUT_S
        while (
            time.monotonic() < until and not self._wires.bench_gone and self._wires.stop_why is None
        ):
            self._wires.turn()
            for telling in self._wires.take_told():
                if telling["tell"] == "preflight":
                    fields = {k: v for k, v in telling.items() if k not in ("v", "tell")}
                    return from_plain(fields)
                if telling["tell"] == "refused":
                    self._refused(telling)
                    return None
        if self._wires.stop_why is not None:
            self.outcome.message = f"Stopped ({self._wires.stop_why}); nothing was energised."
            self.outcome.exit_code = 3
        elif not self.outcome.message:
            what = "ended" if self._wires.bench_gone else f"took more than {START_TIMEOUT_S:.0f} s"
            self.outcome.message = f"The bench process {what} before it had seen the hardware."
            self.outcome.exit_code = 7
        return None

    def begin(self, header: JsonObject) -> bool:
        """Send the header to the recorder and wait until the run is in the log."""
        with contextlib.suppress(OSError):  # one that has gone shows up on reading
            self._processes.send_header(header)
        until = time.monotonic() + START_TIMEOUT_S
        while (
            time.monotonic() < until and self._wires.recorder_open and self._wires.stop_why is None
        ):
            self._wires.turn()
            for told in self._wires.recorder_told:
                if "run" in told:
                    self.outcome.run = int(told["run"])
                    return True
                if "error" in told:
                    self.outcome.message = f"The run log refused the run: {told['error']}"
            self._wires.recorder_told.clear()
        if not self.outcome.message:
            self.outcome.message = (
                f"Stopped ({self._wires.stop_why}); nothing was energised."
                if self._wires.stop_why
                else "The recorder process did not answer, or ended; nothing was energised."
            )
        self.outcome.exit_code = 4 if self._wires.stop_why is None else 3
        return False

    def run(self) -> Outcome:
        """Arm, start, and stay until the run has ended and is stored."""
        if self._wires.stop_why is not None:
            self.outcome.message = f"Stopped ({self._wires.stop_why}); nothing was energised."
            self.outcome.exit_code = 3
            return self.outcome
        self._guarding.prepare()  # before anything is energised
        try:
            self._wires.order("arm", self.armed_from)
            self._drive()
            if not self.outcome.started:  # refused: the bench need not wait for more
                self._wires.order("quit", "not armed")
        except Exception as error:  # noqa: BLE001 - the coil comes first, whatever it was
            # showing the run failed; still stop the bench, read to its end and guard it
            self.watcher, self.early = Watcher(), None
            why = f"it could no longer be shown ({type(error).__name__}: {error})"
            self._wires.stop_why = self._wires.stop_why or why
            self._drive()
        try:
            self._wait_recorder()
            self._see_bench_end()
            self._wait_for_line()
        finally:
            self._guarding.close()
        return self.outcome

    def _drive(self) -> None:
        outcome = self.outcome
        while outcome.end is None and not outcome.message:
            self._wires.turn(self._guard_s)
            for telling in self._wires.take_told():
                self._hear(telling)
            self._relay()
            if outcome.end is None and not outcome.message:
                self._guard()

    @contextlib.contextmanager
    def attended(self) -> Iterator[None]:
        """Keep reading and beating while the person at the desk is asked something."""
        over = threading.Event()

        def attend() -> None:
            while not over.is_set():
                self._wires.turn()

        thread = threading.Thread(target=attend, name="desk attends")
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()

    def _hear(self, telling: JsonObject) -> None:
        match telling["tell"]:
            case "status":
                self.watcher.status(telling)
            case "guide":
                self.watcher.guide(str(telling["instruction"]))
            case "ended":
                self.outcome.end = End(telling["reason"], telling["off"], telling["t_ns"])
                if telling["off"] == OFF_STATES[2]:  # a stalled disk may hold up all that follows
                    self._warn(str(CoilLiveError(STILL_LIVE)))
            case "state":
                if telling.get("state") == "armed" and not self.outcome.started:
                    self.outcome.started = True
                    self._wires.order("start")
            case "refused":
                self._refused(telling)
                if self.outcome.fault or self.outcome.exit_code == EXIT_COIL_LIVE:
                    self._take_over(self.outcome.message)

    def _relay(self) -> None:
        """Turn signals and recorder faults into a stop order, once."""
        for told in self._wires.recorder_told:
            self.watcher.recorder(told)
            self._stored = self._stored or "done" in told
            if "error" in told:
                self._wires.stop_why = self._wires.stop_why or f"recorder: {told['error']}"
                self._note(told["error"])
        self._wires.recorder_told.clear()
        if not self._wires.recorder_open and self.outcome.end is None:
            self._wires.stop_why = self._wires.stop_why or "the recorder ended before the run did"
        if self._wires.stop_why is not None and not self._ordered_stop:
            self._ordered_stop = True
            self._wires.beat(time.monotonic())  # a lost disk is a trip, not only a stop
            self._wires.order("stop", self._wires.stop_why)
            self.watcher.stopping(self._wires.stop_why)

    def _refused(self, telling: JsonObject) -> None:
        self.outcome.message = str(telling.get("why", ""))
        self.outcome.exit_code = telling.get("exit_code")
        self.outcome.fault = bool(telling.get("fault"))

    def _note(self, error: str) -> None:
        self.outcome.notes.append(f"Recorder: {error}")

    def _wait_recorder(self) -> None:
        begun = time.monotonic()
        trip_told = False
        while True:
            trip = self.outcome.trip
            if trip is not None and not trip_told and time.monotonic() - begun > TRIP_TOLD_S:
                trip_told = True
                self._warn(f"TRIPPED: {trip.rule}. {trip.message}")
            for told in self._wires.recorder_told:
                self.watcher.recorder(told)
                self._stored = self._stored or "done" in told
                if "error" in told:
                    self._note(told["error"])
            self._wires.recorder_told.clear()
            if not self._wires.recorder_open or time.monotonic() - begun > RECORDER_TIMEOUT_S:
                break
            self._wires.turn()
        if not self._stored:
            self.outcome.stored_whole = False
            what = (
                f"did not store everything within {RECORDER_TIMEOUT_S:.0f} s"
                if self._wires.recorder_open
                else "ended before everything was stored"
            )
            self.outcome.notes.append(
                f"The recorder {what}; what it had stored is kept. `rig recover` completes the run "
                "from its raw file."
            )

    def _see_bench_end(self) -> None:
        """Report a bench that was killed after it had reported the end: the next start will find
        its owner dead and require `rig clear`."""
        if self.outcome.end is None or self.outcome.fault:
            return
        try:
            code = self._processes.bench.wait(BENCH_END_S)
        except subprocess.TimeoutExpired:
            return
        if code < 0:
            self.outcome.notes.append(
                f"The bench was ended by signal {-code} after it had told how the run ended "
                f"({self.outcome.end.off}). Find out what ended it: the next start is refused "
                "until `rig clear`."
            )

    # -- guard

    def _guard(self) -> None:
        silent_s = time.monotonic() - self._wires.heard
        if not self._wires.bench_gone and silent_s <= self._guard_s:
            return
        what = "died" if self._wires.bench_gone else f"was silent for {1e3 * silent_s:.0f} ms"
        self._take_over(f"The bench process {what}; the guard ended it.")

    def _take_over(self, what: str) -> None:
        """The bench lost the coil, or is lost itself. Take its line, warn the person and latch the
        rig, within a second; keep trying for a line that could not be taken."""
        bench, doubted = self._processes.bench, self._readback_doubted
        in_time = time.monotonic() - self._wires.heard <= self._guard_s + IN_TIME_S
        taken = self._guarding.take_over(bench, doubted=doubted)
        outcome = self.outcome
        outcome.message = f"{what} {taken.words}"
        outcome.fault = True
        unsure = taken.off is None or taken.off == OFF_STATES[2]
        outcome.exit_code = EXIT_COIL_LIVE if unsure else EXIT_INTERNAL
        if taken.off == OFF_STATES[2]:
            outcome.message = str(CoilLiveError(outcome.message))
        outcome.trip = Trip(BENCH_LOST, None, None, "", time.monotonic_ns(), outcome.message)
        self._warn(outcome.message)
        if taken.off is None:  # before using a disk that may stall
            self._guarding.insist(bench, self._taken_at_last, doubted=doubted)
        self._latch(outcome.trip)
        if not unsure:
            # the coil cools from here; a desk that itself stood still saw nothing in the meantime
            coil_heat.settle(self._state, coil_heat.GUARDED if in_time else coil_heat.UNCLEAN)

    def _warn(self, words: str) -> None:
        """Sound the alarm; a terminal or pipe that does not read it must not hold anything else
        up."""

        def sound() -> None:
            with contextlib.suppress(Exception):  # the latch comes next, whatever happens here
                self.watcher.alarm(words)

        thread = threading.Thread(target=sound, name="alarm", daemon=True)
        with contextlib.suppress(RuntimeError):  # no thread available: it is shown at the end
            thread.start()
            thread.join(ALARM_S)

    def _taken_at_last(self, off: str) -> None:
        """The guard got the line after all (called in its thread)."""
        late_s = (time.monotonic_ns() - self.outcome.trip.t_ns) / 1e9 if self.outcome.trip else 0.0
        words = f"The relay line was taken {late_s:.1f} s after the warning. Coil: {off}."
        if off == OFF_STATES[2]:
            words = str(CoilLiveError(words))
        else:
            self.outcome.exit_code = EXIT_INTERNAL
        self.outcome.notes.append(words)
        self._warn(words)
        if off != OFF_STATES[2]:  # the person comes before a disk
            coil_heat.settle(self._state)

    def _wait_for_line(self) -> None:
        """Wait while the guard tries for the line; a further signal ends the wait."""
        if not self._guarding.insisting:
            return
        self._warn(
            "Still trying to take the relay line; Ctrl-C ends the trying. Open the mushroom stop "
            "or pull the fuse."
        )
        before = self._signals.count
        while self._guarding.insisting and self._signals.count == before:
            time.sleep(0.05)

    def _latch(self, trip: Trip) -> None:
        try:
            state_file.write_latch(self._state, trip, time.time(), self._rig)
        except (RigError, OSError) as error:
            self.outcome.notes.append(
                f"The trip could not be latched ({error}): treat the rig as tripped."
            )

    # -- records

    def _see_record(self, line: bytes) -> None:
        if line.startswith(b'["T"'):
            trip = decode(line)
            if isinstance(trip, Trip):
                self._readback_doubted = self._readback_doubted or readback_doubted(trip)
                first = self.outcome.trip is None
                if first:
                    self.outcome.trip = trip
                if first or readback_doubted(trip):
                    self._latch(trip)
        elif line.startswith(b'["N","stopped"'):
            stopped = decode(line)
            if isinstance(stopped, Condition):
                self.outcome.stopped = stopped.detail
        self.watcher.record(line)
        why = self.early.record(line) if self.early is not None else None
        if why is not None:
            self._wires.order("finish", why)
