# SPDX-License-Identifier: MIT
"""One check or run of a commissioning: armed, watched and logged like any other run."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from rig.actions.conduct_run import Run
from rig.config.files.loading import LoadedSetup, LoadedSheet, sheet_from_text
from rig.core import places
from rig.core.json_values import JsonObject
from rig.core.preflight import Preflight
from rig.core.records import Command, decode
from rig.desk.outcome import Outcome
from rig.desk.session import Watcher

if TYPE_CHECKING:
    from rig.config.plant.fault_names import Fault
    from rig.config.setup.model import Setup
    from rig.core.recording import Recording
    from rig.desk.signals import StopSignals

Strike = Callable[[int], None]
"""What is done to the bench's process, by its id, while the coil is on."""
STRIKE_AFTER_S = 0.2
"""Delay after the relay was commanded on: it has closed by then."""


class _OnlyLookedError(Exception):
    """Only the preflight was wanted."""


class Trial(Run):
    """A run of a generated sheet. `found` is its preflight, `outcome` how it ended."""

    purpose = "commissioning"

    def __init__(
        self,
        loaded: LoadedSetup,
        setup: Setup,
        sheet_text: str,
        options: Mapping[str, object],
        strike: Strike | None = None,
    ) -> None:
        super().__init__(Path(loaded.path), Path("commissioning"), options)
        self._given = replace(loaded, setup=setup), sheet_from_text(sheet_text, "commissioning")
        self._strike = strike
        self._only_look = False
        self.struck_ns: int | None = None
        self.found: Preflight | None = None
        self.outcome = Outcome()
        self.confirmed_by: str | None = None
        """The name under which a person confirmed this run."""

    def look(self) -> Preflight | None:
        """Do only the preflight: nothing is energised. None if the hardware was refused."""
        self._only_look = True
        with contextlib.suppress(_OnlyLookedError):
            self.go()
        return self.found

    def recording(self) -> Recording | None:
        """The recording; None if no run was begun."""
        from rig.actions.analyse_run import recording_of
        from rig.runlog.store import RunLog

        if self.outcome.run is None:
            return None
        with RunLog(places.log_path()) as log:
            return recording_of(log.load(self.outcome.run), self._setup.setup)

    # -- where it differs from a run

    def _read(self, _faults: tuple[Fault, ...] | None) -> tuple[LoadedSetup, LoadedSheet]:
        return self._given

    def _show_preflight(self, found: Preflight) -> None:
        self.found = found

    def _header(self, found: Preflight, signals: StopSignals) -> JsonObject:
        if self._only_look:
            raise _OnlyLookedError
        header = super()._header(found, signals)
        self.confirmed_by = header["confirmed_by"]
        return header

    @contextlib.contextmanager
    def _view(self, _source: str) -> Iterator[Watcher]:
        watcher = _Striking(self)
        try:
            yield watcher
        finally:
            watcher.close()

    def _finish(self, outcome: Outcome) -> int:
        from rig.actions.analyse_run import analyse_and_save
        from rig.runlog.store import RunLog

        self.outcome = outcome
        if outcome.run is not None and outcome.started:
            with RunLog(places.log_path()) as log:
                if not outcome.stored_whole:
                    log.mark_interrupted()
                analyse_and_save(log, outcome.run)
        return outcome.code

    def strike(self) -> None:
        """Do to the bench what this trial is for."""
        processes = self._processes
        if self._strike is None or processes is None or processes.bench.poll() is not None:
            return
        self.struck_ns = time.monotonic_ns()
        self._strike(processes.bench.pid)

    @property
    def strikes(self) -> bool:
        return self._strike is not None


class _Striking(Watcher):
    """Waits for the first stroke. The strike has its own thread: the desk keeps guarding."""

    def __init__(self, trial: Trial) -> None:
        self._trial = trial
        self._timer: threading.Timer | None = None

    def record(self, line: bytes) -> None:
        if self._timer is not None or not self._trial.strikes or not line.startswith(b'["C"'):
            return
        command = decode(line)
        if isinstance(command, Command) and command.on:
            self._timer = threading.Timer(STRIKE_AFTER_S, self._trial.strike)
            self._timer.start()

    def close(self) -> None:
        if self._timer is not None:
            self._timer.join()


def kill(pid: int) -> None:
    """End the bench at once, as a kernel out of memory would."""
    os.kill(pid, signal.SIGKILL)


def stop_for(seconds: float) -> Strike:
    """Stop the bench's loop, then let it continue: meanwhile its heartbeat stands still."""

    def strike(pid: int) -> None:
        os.kill(pid, signal.SIGSTOP)
        try:
            time.sleep(seconds)
        finally:
            with contextlib.suppress(ProcessLookupError):  # the guard may have ended it
                os.kill(pid, signal.SIGCONT)

    return strike
