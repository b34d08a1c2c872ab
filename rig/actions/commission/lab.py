# SPDX-License-Identifier: MIT
"""What a step of a commissioning may do: check the rig, or run it."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping

from rig.actions.commission.hands import AS_WIRED, PRESSURE, Hands
from rig.actions.commission.trial import Strike, Trial
from rig.actions.conditions import CONDITIONS
from rig.config.files.loading import LoadedSetup
from rig.core.errors import EXIT_COIL_LIVE, EXIT_TRIPPED, CoilLiveError, HardwareError, RigError
from rig.core.preflight import LOAD_SIDE, REFUSED, Preflight

ON_S = 0.3
DUTY_MOST = 0.35
"""Largest duty of a trial, and no more than 0.8 of what the setup allows: no trial may warm the
coil until it has to wait."""
CLEAR_S = 60.0
KNOWN_STROKES = 3


ON_NOW = "With your yes the relay is switched on now. Hands clear."
"""A yes to this, and to nothing else, permits one run."""
LAMP = f"Lamp or resistor in the coil's place, pressure off, everything else as wired. {ON_NOW}"
LOOP_READY = (
    "Lamp or resistor in the coil's place, pressure off. Stop pressed while you wire: take the "
    "pressure switch off its two terminals, and put the loop in its place (help page on "
    f"calibration, own times of the rig). {ON_NOW}"
)
COIL_READY = (
    "The switch back on its own two terminals. Coil and valve connected now, a second gauge beside "
    "the rig's where there is one. Set a steady pressure above the switch's, under limits.pressure."
)
COIL = f"{COIL_READY} {ON_NOW}"


class StillTrippedError(HardwareError):
    """A provoked trip could not be cleared."""

    id = "refusal.still-tripped"


class UnexpectedTripError(StillTrippedError):
    """A trip that no step provoked: it stays latched."""

    id = "refusal.unexpected-trip"


class LeftOutError(RigError):
    """A person declined this step."""

    id = "refusal.left-out"


class StoppedError(RigError):
    """A person stopped a run: the commissioning ends with it."""

    id = "refusal.stopped"

    exit_code = EXIT_TRIPPED


class Lab:
    """The rig of one setup, with somebody to work on it."""

    def __init__(self, loaded: LoadedSetup, hands: Hands, options: Mapping[str, object]) -> None:
        self.loaded, self.setup, self.hands = loaded, loaded.setup, hands
        self.fast = bool(options["fast"])
        self._options: dict[str, object] = {
            **dict.fromkeys([*CONDITIONS, "oil_grade", "oil_level", "valve", "job", "mount"]),
            "as_json": True, "wait": True, "fault": (), "accept_not_watched": False,
            "confirmed_by": None, **options,
        }  # fmt: skip
        self.source = "simulated" if self.setup.backend == "simulated" else "board"
        self.hardware: dict[str, str] = {}
        self.runs: list[int] = []
        """Runs since they were last taken."""
        self._kept: Trial | None = None
        self._known: Trial | None = None
        self.reference_kpa: float | None = None
        """The second gauge's reading with the known pressure on."""
        self._confirmed = ""
        """The load for which a person has confirmed the statements of a run."""
        self.asked = False
        """Somebody said yes to this step; valid for one run."""

    @property
    def simulated(self) -> bool:
        return self.setup.backend == "simulated"

    def look(self, state: str = AS_WIRED) -> Preflight:
        """The preflight with the rig in this state; nothing is energised. Raises HardwareError."""
        trial = self._trial(state, 1, ON_S, f"commissioning, {state}")
        found = trial.look()
        self._watch(trial, ran=False)
        if found is None:
            raise HardwareError(trial.outcome.message or "The rig could not be looked at.")
        self.source = found.source
        return found

    def run(
        self,
        strokes: int,
        on_s: float = ON_S,
        state: str = AS_WIRED,
        strike: Strike | None = None,
    ) -> Trial:
        """A run with the rig in this state, never without somebody's yes just before.

        Raises LeftOutError, StoppedError, and CoilLiveError if the coil is live afterwards.
        """
        load = COIL if state == PRESSURE else LAMP
        if not self.asked and not self.hands.ready("Before the relay is switched on", load):
            raise LeftOutError("left out")
        self.asked = False
        if load != self._confirmed:  # confirmation for the lamp is not for the coil
            self._options |= {"confirmed_by": None, "accept_not_watched": False}
        trial = self._trial(state, strokes, on_s, f"commissioning, {state}", strike)
        trial.go()
        if trial.outcome.run is not None:
            self.runs.append(trial.outcome.run)
        if trial.found is not None:
            self.source = trial.found.source
        self._watch(trial, ran=True)
        if trial.outcome.started and not self.simulated:
            # one confirmation covers all runs with this load: every step asks once more
            self._options |= {"confirmed_by": trial.confirmed_by, "accept_not_watched": True}
            self._confirmed = load
        return trial

    def _watch(self, trial: Trial, *, ran: bool) -> None:
        """Stop everything after a person's stop, or with a live coil."""
        outcome = trial.outcome
        if ran and outcome.code == EXIT_COIL_LIVE:
            raise CoilLiveError(outcome.message or "its load side is live after a run.")
        if outcome.trip is None and outcome.code == EXIT_TRIPPED:
            raise StoppedError(
                f"Stopped ({outcome.stopped or outcome.message}). The record says: not finished."
            )

    def operations(self, strokes: int) -> Trial:
        """A run of this many relay operations; done once, and used by several steps."""
        if self._kept is None:
            self._kept = self.run(strokes)
        elif self._kept.outcome.run is not None:
            self.runs.append(self._kept.outcome.run)
        return self._kept

    def known_pressure(self, on_s: float) -> Trial:
        """Strokes of the coil at a steady pressure shown by a second gauge; done once."""
        if self._known is None:
            self.reference_kpa = self.hands.reference_kpa(self.setup)
            self.asked = False  # that question had no time limit: a yes before it is stale
            self._known = self.run(KNOWN_STROKES, on_s, PRESSURE)
        elif self._known.outcome.run is not None:
            self.runs.append(self._known.outcome.run)
        return self._known

    def clear(self) -> None:
        """Clear the trip that a step provoked, as `rig clear` does: check the rig first.

        Raises StillTrippedError.
        """
        words = [sys.executable, "-m", "rig.cli.main", "clear", self.loaded.path]
        try:
            done = subprocess.run(
                words, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=CLEAR_S,
                check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired as error:
            raise StillTrippedError(
                "Looking at the rig to clear the trip took too long."
            ) from error
        if f"{LOAD_SIDE}: {REFUSED}" in done.stdout:
            raise CoilLiveError("its load side is live after a step.")
        if done.returncode:
            raise StillTrippedError(f"The trip that was provoked stands: {done.stderr.strip()}")

    def take_runs(self) -> tuple[int, ...]:
        runs, self.runs = tuple(self.runs), []
        return runs

    @contextlib.contextmanager
    def busy(self) -> Iterator[None]:
        """Keep every processor busy meanwhile."""
        load = [
            subprocess.Popen([sys.executable, "-c", "while True: pass"])
            for _ in range(os.cpu_count() or 1)
        ]
        try:
            yield
        finally:
            for process in load:
                process.kill()
                process.wait()

    def _trial(
        self, state: str, strokes: int, on_s: float, note: str, strike: Strike | None = None
    ) -> Trial:
        duty = min(DUTY_MOST, 0.8 * self.setup.limits.duty)
        rest_s = max(ON_S, on_s * (1.0 / duty - 1.0))
        sheet = (
            'title = "Commissioning"\nkind = "strokes"\n'
            f'strokes = {strokes}\non_time = "{on_s:g} s"\nrest = "{rest_s:.3f} s"\n'
            'settle_wait = "1 s"\n'
        )
        setup = self.hands.rig(self.setup, state)
        return Trial(self.loaded, setup, sheet, self._options | {"note": note}, strike)
