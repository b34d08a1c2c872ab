# SPDX-License-Identifier: MIT
"""The steps of `rig run`, in order: load, check, confirm, run, analyse, show."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig import __version__
from rig.actions.conditions import conditions, refuse_apart
from rig.actions.outcome_words import one_place, remind, say, tell
from rig.actions.progress import view
from rig.actions.timing_due import timing_checks
from rig.core import places, state_file
from rig.core.clock import read_wall_time
from rig.core.ending import ENDING, judged
from rig.core.errors import EXIT_INTERNAL, CoilLiveError, RefusedError, RigError, UsageError
from rig.core.json_values import JsonObject
from rig.core.preflight import Preflight
from rig.core.records import End, Trip
from rig.desk.outcome import Outcome
from rig.desk.signals import StopSignals

if TYPE_CHECKING:
    from rig.config.files.loading import LoadedSetup, LoadedSheet
    from rig.config.plant.fault_names import Fault
    from rig.desk.early_stop import EarlyStopWatch
    from rig.desk.processes import Processes
    from rig.desk.session import Watcher

SOFTWARE = f"solenoid-rig {__version__}"


class Run:
    """One `rig run`. `options` are those of rig.cli.run."""

    ARMED_FROM = ""
    """Where the person is: see Session.armed_from."""
    purpose = "valve"
    """One of rig.runlog.header.PURPOSES."""

    def __init__(self, setup: Path, sheet: Path, options: Mapping[str, Any]) -> None:
        self._setup_path, self._sheet_path, self._options = setup, sheet, options
        self._quiet = bool(options["as_json"] or options.get("tsv"))
        self._rested_s = 0.0
        """Virtual time that the coil rested before the run."""
        self._processes: Processes | None = None
        """The processes of a run in real time."""

    def go(self) -> int:
        """Do the run; returns the exit code."""
        with StopSignals() as signals:
            attempt = self._fast if self._options["fast"] else self._real_time
            outcome = attempt(signals)
            while outcome.ready_in_s is not None and self._waits():
                if not self._cool(outcome.ready_in_s, signals):
                    outcome = Outcome(
                        message=f"Stopped ({signals.why}); nothing was energised.", exit_code=3
                    )
                    break
                outcome = attempt(signals)
            return self._finish(outcome)

    def _waits(self) -> bool:
        """Whether to wait for a warm coil: if requested, and for a person at a terminal. Not if a
        script confirmed in advance: nothing may be energised minutes later."""
        if self._setup.setup.backend == "board" and self._options["confirmed_by"] is not None:
            return False
        return bool(self._options["wait"]) or (not self._quiet and sys.stderr.isatty())

    def _cool(self, seconds: float, signals: StopSignals) -> bool:
        """Let the coil rest; in virtual time this takes none. False if interrupted."""
        from rig.actions.cooling import count_down, say_rested

        if not self._options["fast"]:
            return count_down(seconds, signals)
        self._rested_s += seconds
        say_rested(seconds)
        return signals.why is None

    # -- the two ways to run

    def _real_time(self, signals: StopSignals) -> Outcome:
        from rig.desk.processes import Processes
        from rig.desk.session import Session

        processes = Processes()  # they import while the setup is read
        self._processes = processes
        try:
            self._load()
            limits = self._setup.setup.limits
            session = Session(processes, self._state, self._rig, limits.guard_time_s, signals)
            session.armed_from = self.ARMED_FROM
            found = session.open(self._plan())
            if found is None:
                return session.outcome
            with session.attended():  # a terminal that does not read must not cost the bench
                self._show_preflight(found)
            if found.refused:
                return self._refused(found)
            with session.attended():
                header = self._header(found, signals)
            if not session.begin(header | {"state": str(self._state)}):
                return session.outcome
            with self._view(found.source) as progress:
                session.watcher = progress
                session.early = self._early(found.source)
                return session.run()
        finally:
            processes.close()

    def _fast(self, signals: StopSignals) -> Outcome:
        from rig.bench.coil_keeping import CoilKeeping
        from rig.compose import FastRun
        from rig.recorder.recorder import Recorder
        from rig.runlog.header import RunHeader
        from rig.runlog.store import RunLog

        self._load()
        lock = state_file.RigLock(self._state)
        try:
            setup, begun = self._setup.setup, False
            coil = CoilKeeping(self._state, setup, self._rested_s)
            fast = FastRun(setup, self._sheet.sheet, self._options["seed"], coil.carried)
            coil.watch(fast.bench.interlock)
            owner, new = self._claim()
            try:
                coil.begin()
                found = fast.preflight()
                self._show_preflight(found)
                if found.refused:
                    return self._refused(found)
                header = RunHeader.from_json(_json(self._header(found, signals)))
                log = RunLog(places.log_path())
                try:
                    recorder = Recorder(log, header, places.raw_dir(), state_path=self._state)
                    begun = True
                    with self._view(found.source) as progress:
                        end, trip = self._run_fast(fast, recorder, progress, signals)
                    coil.ended(end)
                    coil.keep()
                    recorder.finish(end)
                    stopped = fast.bench.orders.stop_why or ""
                    return Outcome(end, trip, recorder.run_id, started=True, stopped=stopped)
                finally:
                    log.close()
            finally:
                fast.close()
                if begun:
                    state_file.release(self._state, owner)
                else:
                    coil.put_back()
                    state_file.give_up(self._state, owner, new=new)
        finally:
            lock.close()

    def _run_fast(
        self, fast: Any, recorder: Any, progress: Watcher, signals: StopSignals
    ) -> tuple[End, Trip | None]:
        early = self._early(fast.hardware.source)

        def turn(line: str) -> None:
            orders = fast.bench.orders
            if signals.why is not None:
                orders.stop_why = signals.why
            progress.record(line.encode())
            if early is not None:
                orders.finish_why = early.record(line.encode()) or orders.finish_why

        end, trip = fast.run(recorder, turn)
        if trip is not None:
            state_file.write_latch(self._state, trip, time.time(), self._rig)
        return end, trip

    def _early(self, source: str) -> EarlyStopWatch | None:
        """The watch that weighs the strokes of a sheet that may stop early."""
        sheet = self._sheet.sheet
        if sheet.kind != "strokes" or sheet.early_stop is None:
            return None
        from rig.desk.early_stop import EarlyStopWatch

        return EarlyStopWatch(self._setup.setup, sheet, source)

    def _view(self, source: str) -> AbstractContextManager[Watcher]:
        return view(self._setup.setup, self._sheet.sheet, source, quiet=self._quiet)

    # -- before

    def _read(self, faults: tuple[Fault, ...] | None) -> tuple[LoadedSetup, LoadedSheet | None]:
        from rig.config.files.loading import load_pair

        return load_pair(self._setup_path, self._sheet_path, faults)

    def _load(self) -> None:
        _refuse_unreadable(self._options)
        faults = self._faults()
        setup, sheet = self._read(faults)
        if sheet is None:
            raise UsageError("A run needs a sheet.")
        self._setup, self._sheet = setup, sheet
        plain = setup.setup
        for_board = not (self._options["fast"] or self._options["seed"] is not None or faults)
        if plain.backend == "board" and not for_board:
            raise UsageError("--fast, --seed and --fault work only with a simulated rig.")
        if plain.gauge is None:
            _refuse_of_a_gauge(faults or ())
        self._conditions = conditions(self._options)
        refuse_apart(setup.setup, sheet.sheet, self._conditions)
        rig = state_file.rig_name(plain.backend, plain.chip, plain.relay.line)
        self._rig = state_file.RigState(
            rig, plain.backend, plain.chip, plain.relay.line, self._plan()["setup"]
        )
        self._state = state_file.state_path(self._state_folder(), rig)
        before = state_file.latch_dead_owner(self._state)
        if before is not None and before.trip is not None:
            from rig.bench.process import latched_words

            raise RefusedError(latched_words(before), id_="refusal.tripped")

    def _state_folder(self) -> Path:
        """Where owner, latch and heat of the rig are stored."""
        return places.state_dir()

    def _faults(self) -> tuple[Fault, ...] | None:
        """Faults given on the command line; None if the setup's own apply."""
        texts = self._options.get("fault") or ()
        if not texts:
            return None
        from pydantic_core import PydanticCustomError

        from rig.config.plant.fault_names import faults_of

        try:
            return faults_of(texts)
        except PydanticCustomError as error:
            raise UsageError(f"--fault: {error.message()}. Nothing was energised.") from error

    def _plan(self) -> JsonObject:
        from rig.config.files.resolved import dump

        return {
            "setup": dump(self._setup.setup),
            "sheet": dump(self._sheet.sheet),
            "seed": self._options["seed"],
        }

    def _claim(self) -> tuple[state_file.Owner, bool]:
        """Claim the rig for this process; also returns whether its state file is new."""
        owner = state_file.this_process()
        return owner, state_file.claim(self._state, replace(self._rig, owner=owner))

    def _seed(self) -> int | None:
        """The actual seed of a simulated run."""
        seed: int | None = self._options["seed"]
        simulated = self._setup.setup.simulated
        return simulated.seed if seed is None and simulated is not None else seed

    def _header(self, found: Preflight, signals: StopSignals) -> JsonObject:
        from rig.actions.confirmation import confirm

        options = self._options
        said: list[str] = []
        by = options["confirmed_by"]
        if self._setup.setup.backend == "board":
            try:
                with signals.prompting():
                    by, said = confirm(by, found, options["accept_not_watched"])
            except (KeyboardInterrupt, EOFError, click.Abort):
                raise RefusedError(
                    "Not confirmed; nothing was energised.", id_="refusal.stopped-before-start"
                ) from None
        return {
            "source": found.source,
            "seed": self._seed(),
            "valve": options["valve"],
            "job": options["job"],
            "by": options["by"] or by,
            "mount": options["mount"],
            "note": options["note"] or "",
            "purpose": self.purpose,
            "conditions": self._conditions,
            "confirmed_by": by if said else None,
            "confirmation": "\n".join(said) if said else None,
            "confirmed_utc_s": time.time() if said else None,
            "setup_text": self._setup.text,
            "setup_hash": self._setup.hash,
            "setup_name": Path(self._setup.path).name,
            "sheet_text": self._sheet.text,
            "sheet_hash": self._sheet.hash,
            "sheet_name": Path(self._sheet.path).name,
            "software": SOFTWARE,
            "wall": read_wall_time()._asdict(),
            "hardware": dict(found.hardware),
            "watched": found.watched,
            "not_watched": found.not_watched,
        }

    def _show_preflight(self, found: Preflight) -> None:
        if self._quiet:
            return
        from rig.cli.terminal.preflight import show_preflight

        own = timing_checks(self._setup.setup, found.source)
        show_preflight(found._replace(checks=[*found.checks, *own]))

    def _refused(self, found: Preflight) -> Outcome:
        words = [f"{check.name}: {check.shown}. {check.remedy}" for check in found.refused]
        text = "Refused before anything was energised.\n" + "\n".join(words)
        if found.coil_live:
            text = str(CoilLiveError("its load side is live before any command was given.")) + (
                "\n" + text
            )
        wait_s = found.ready_in_s if found.only_warm else None
        if wait_s is not None and not self.ARMED_FROM:
            text += "\n`rig run --wait` lets it rest first"
            text += "; in virtual time (--fast) that takes none." if self._options["fast"] else "."
        return Outcome(message=text, exit_code=6 if found.coil_live else 4, ready_in_s=wait_s)

    # -- after

    def _finish(self, outcome: Outcome) -> int:
        """First tell what a person must know; then analyse and show, whatever the outcome of
        that."""
        tell(outcome)
        code = outcome.code
        if code:
            judged(code)
        if outcome.run is None or not outcome.started:
            return code
        try:
            verdict_code = self._analyse_and_show(outcome.run, whole=outcome.stored_whole)
        except RigError as error:
            say(f"The run is stored and could not be analysed now: {error}")
            return code or EXIT_INTERNAL
        except OSError as error:
            say(f"The result could not be shown ({error}); `rig show {outcome.run}` shows it.")
            return code or (EXIT_INTERNAL if ENDING.judged is None else ENDING.judged)
        if not self._quiet:  # said before the report
            remind(outcome, after_much=bool(self._options.get("full")))
        return code or verdict_code

    def _analyse_and_show(self, run: int, *, whole: bool) -> int:
        from rig.actions.analyse_run import analyse_and_save
        from rig.analysis.verdict.verdict import exit_code
        from rig.cli.terminal.render import show_result
        from rig.runlog.store import RunLog

        with RunLog(places.log_path()) as log:
            if not whole:
                log.mark_interrupted()
            shape = analyse_and_save(log, run)
        code = exit_code(shape)
        if ENDING.judged is None:  # how the run ended ranks before the verdict
            judged(code)
        show_result(
            shape, as_json=self._options["as_json"], tsv=bool(self._options.get("tsv")),
            full=bool(self._options.get("full")), trip_told=one_place(),
        )  # fmt: skip
        sys.stdout.flush()
        return code


def _refuse_unreadable(options: Mapping[str, Any]) -> None:
    """Text that a terminal sent in another coding could not be stored with the run."""
    for name, value in options.items():
        try:
            str(value).encode()
        except UnicodeEncodeError as error:
            raise UsageError(
                f"--{name.replace('_', '-')} holds bytes that are no text in UTF-8. Nothing was "
                "energised. Set the terminal to UTF-8, or write it without such letters."
            ) from error


def _refuse_of_a_gauge(faults: tuple[Fault, ...]) -> None:
    """Raise UsageError for a fault of which a rig without a serial gauge shows nothing."""
    from rig.config.plant.fault_names import OF_A_SERIAL_GAUGE

    for fault in faults:
        if fault.name in OF_A_SERIAL_GAUGE:
            raise UsageError(
                f'--fault: "{fault.name}" is a fault of a serial gauge, and this setup has no '
                "table [gauge]. Nothing was energised. Leave it out, or take "
                "a setup with such a gauge."
            )


def _json(data: Mapping[str, object]) -> str:
    import json

    return json.dumps(data, allow_nan=False)
