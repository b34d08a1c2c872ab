# SPDX-License-Identifier: MIT
"""Queue of exercise runs: a few simulated at once, and never beside a run of the bench.

The queue is stored in the exercise's own file, so a restarted page resumes it. A worker ends when
nothing waits: no idle thread is left.
"""

from __future__ import annotations

import contextlib
import os
import select
import subprocess
import threading
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from rig.actions.exercise.conduct import Question, Ran
from rig.actions.exercise.draw import faulty_text
from rig.actions.exercise.model import Plan, Step, Waiting
from rig.actions.exercise.steps import RUNS_MOST, refuse_committed
from rig.actions.exercise.store import Exercise, Exercises, Seated
from rig.core.errors import RigError, UsageError
from rig.runlog.engine import sqlite_caution
from webui.work import children

AT_ONCE = 2 if (os.cpu_count() or 1) >= 4 and sqlite_caution() is None else 1
"""Simulations side by side: a small board keeps most of its capacity for the page, and an SQLite
that may damage a log written by two programs has one writer at a time."""
WITHIN_S = 180.0
"""Time limit of one run; a longer one is ended."""
LOOK_S, MAKE_WAY_S = 0.5, 0.1
"""How often a waiting or working worker checks whether the bench is at work."""
FAILED = "The simulation did not end as it should. Nothing was counted: start it again."


class Turn(NamedTuple):
    """A queued run. `seat`: None for the rig without its fault."""

    exercise: int
    seat: int | None


class MadeWay(Exception):
    """A simulation was ended because the bench is at work; it will be run again."""


class Simulator:
    """A process that simulates runs one after the other (rig.actions.exercise.conduct); started by
    the first."""

    def __init__(self, data: Path) -> None:
        self._data = data
        self._process: subprocess.Popen[str] | None = None

    def answer(self, asked: Question, busy: Callable[[], bool]) -> Ran | None:
        """None if it took too long or was ended. Raises MadeWay once the bench is at work."""
        process = self._process or self._start()
        try:
            if process.stdin is not None and process.stdout is not None:
                process.stdin.write(asked.model_dump_json() + "\n")
                process.stdin.flush()
                until = time.monotonic() + WITHIN_S
                while time.monotonic() < until:
                    if select.select([process.stdout], [], [], MAKE_WAY_S)[0]:
                        return Ran.model_validate_json(process.stdout.readline())
                    if busy():
                        raise MadeWay
        except (OSError, ValueError):
            pass
        except MadeWay:
            self.end()
            raise
        self.end()
        return None

    def _start(self) -> subprocess.Popen[str]:
        self._process = children.start(
            "rig.actions.exercise.conduct", stderr=None, RIG_DATA=str(self._data)
        )
        return self._process

    def end(self) -> None:
        """End the process, whatever it is doing. Idempotent."""
        process, self._process = self._process, None
        children.end(process)


class WaitingRuns:
    """`busy` returns whether a bench of this computer is at work."""

    def __init__(self, log_path: Path, busy: Callable[[], bool]) -> None:
        self._store, self._busy = Exercises.beside(log_path), busy
        self._data = log_path.parent
        self._lock = threading.Lock()
        self._turns: list[Turn] = []
        self._going: set[Turn] = set()
        self._workers: set[threading.Thread] = set()
        self._simulators: set[Simulator] = set()
        self._over = threading.Event()
        self._taken_up = False

    def ask(self, seat: Seated) -> None:
        """Queue a run for a seat. Raises UsageError if the seat cannot have one now."""
        with self._store.changing(seat.id) as now:
            refuse_committed(now.seat)
            if now.seat.waiting is not None:
                return
            if len(now.seat.runs) >= RUNS_MOST:
                raise UsageError(f"A seat has {RUNS_MOST} runs, and they are done: use the checks.")
            now.seat.waiting = Waiting(uid=uuid.uuid4().hex, asked_utc_s=time.time())
            now.seat.refused = ""
            now.seat.uids.append(now.seat.waiting.uid)  # hidden before its first record exists
        self._put(Turn(seat.exercise_id, seat.id))

    def ask_reference(self, exercise: Exercise) -> None:
        """Queue the run of the rig without its fault."""
        self._put(Turn(exercise.id, None))

    def take_up(self) -> None:
        """Resume what was queued when the page ended. Once."""
        with self._lock:
            if self._taken_up:
                return
            self._taken_up = True
        for exercise in self._store.all():
            if exercise.ended_utc_s is not None:
                continue
            if exercise.plan.reference and exercise.reference_run is None:
                self.ask_reference(exercise)
            for one in self._store.seats(exercise.id):
                if one.seat.waiting is not None:
                    self._put(Turn(exercise.id, one.id))

    def words(self, seat: Seated) -> str:
        """State of a queued run, for its student."""
        turn = Turn(seat.exercise_id, seat.id)
        with self._lock:
            if turn in self._going:
                return "Your run goes on."
            before = self._turns.index(turn) if turn in self._turns else 0
            before += len(self._going)
        if self._busy():
            return "Your run waits: the rig's own bench is at work, and nothing runs beside it."
        ahead = f"{before} {'is' if before == 1 else 'are'} before it" if before else "it is next"
        return f"Your run waits for its turn: {ahead}."

    @property
    def going(self) -> int:
        """Number of runs being simulated now."""
        with self._lock:
            return len(self._going)

    def close(self) -> None:
        """End the running simulations; the next page resumes them."""
        self._over.set()
        with self._lock:
            simulators, workers = list(self._simulators), list(self._workers)
        for simulator in simulators:
            simulator.end()
        for worker in workers:
            worker.join(10.0)

    # -- the workers

    def _put(self, turn: Turn) -> None:
        with self._lock:
            if turn in self._turns or turn in self._going or self._over.is_set():
                return
            self._turns.append(turn)
            if len(self._workers) < AT_ONCE:
                worker = threading.Thread(target=self._work, name="exercise runs", daemon=True)
                self._workers.add(worker)
                worker.start()

    def _work(self) -> None:
        simulator = Simulator(self._data)
        with self._lock:
            self._simulators.add(simulator)
        try:
            while self._one_turn(simulator):
                pass
        finally:
            simulator.end()
            with self._lock:
                self._simulators.discard(simulator)

    def _one_turn(self, simulator: Simulator) -> bool:
        """Do the next run; False if nothing waits."""
        if self._over.is_set():
            return False
        turn = None
        if not self._busy():
            with self._lock:
                turn = self._next()
                if turn is None and not self._turns:
                    self._workers.discard(threading.current_thread())
                    return False
                if turn is not None:
                    self._going.add(turn)
        if turn is None:  # the bench is at work, or the queued run needs the one in progress
            self._over.wait(LOOK_S)
            return True
        try:
            with contextlib.suppress(RigError):  # deleted meanwhile
                self._do(turn, simulator)
        except MadeWay:
            with self._lock:
                self._turns.insert(0, turn)
        finally:
            with self._lock:
                self._going.discard(turn)
        return True

    def _next(self) -> Turn | None:
        """The first run free to go: a seat's run waits for the run of its sound rig."""
        sound = {turn.exercise for turn in (*self._turns, *self._going) if turn.seat is None}
        for n, turn in enumerate(self._turns):
            if turn.seat is None or turn.exercise not in sound:
                return self._turns.pop(n)
        return None

    def _do(self, turn: Turn, simulator: Simulator) -> None:
        exercise = self._store.one(turn.exercise)
        if turn.seat is None:
            ran = self._run(simulator, exercise, exercise.plan.seed % 2**31, uuid.uuid4().hex, None)
            if ran is not None and ran.run is not None:
                self._store.refer(exercise.id, ran.run)
            return
        with self._store.changing(turn.seat) as seated:
            seat, waiting = seated.seat, seated.seat.waiting
            if waiting is None or exercise.ended_utc_s is not None:
                return
            if waiting.begun:  # by an interrupted simulation: its run has that name in the log
                waiting.uid = uuid.uuid4().hex
                seat.uids.append(waiting.uid)
            waiting.begun = True
        seed = seat.seed + len(seat.runs)
        ran = self._run(simulator, exercise, seed, waiting.uid, seated)
        if self._over.is_set() and ran is None:
            return  # still queued in the file
        with self._store.changing(turn.seat) as seated:
            seated.seat.waiting = None
            if ran is None:
                seated.seat.refused = FAILED
                return
            seated.seat.steps.append(
                Step(
                    kind="run", name="run", minutes=ran.minutes, at_utc_s=time.time(), run=ran.run,
                    verdict=ran.verdict, reading=ran.message, findings=ran.findings,
                )
            )  # fmt: skip

    def _run(
        self, simulator: Simulator, exercise: Exercise, seed: int, uid: str, seated: Seated | None
    ) -> Ran | None:
        """Do one run; None if it did not finish."""
        plan: Plan = exercise.plan
        asked = Question(
            setup_name=plan.setup_name,
            setup_text=faulty_text(plan, seated.seat if seated is not None else None),
            sheet_name=plan.sheet_name, sheet_text=plan.sheet_text,
            seed=seed, uid=uid, tag=f"exercise {exercise.id}",
            good=exercise.reference_run if seated is not None else None,
        )  # fmt: skip
        return simulator.answer(asked, self._busy)
