# SPDX-License-Identifier: MIT
"""`python -m rig.actions.exercise.conduct`: runs of exercises, one by one, in virtual time.

Does the steps of `rig run --fast` in a separate process at low priority. Owner, latch and heat of
its rig are in a folder of this run alone, so that no other run and no board of this computer is
affected: virtual time refuses a board. For each line of JSON in, one out, until the input ends.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from rig.actions.conduct_run import Run
from rig.actions.exercise.model import KeptFinding
from rig.actions.exercise.steps import run_minutes
from rig.core import places
from rig.core.clock import NS_PER_S
from rig.core.errors import RigError
from rig.core.json_values import JsonObject
from rig.core.preflight import Preflight
from rig.desk.outcome import Outcome
from rig.desk.signals import StopSignals

BEHIND = 10
"""Niceness."""


class Question(BaseModel):
    """The run to do. `good`: the run of the rig without its fault, None for that run itself."""

    model_config = ConfigDict(extra="forbid")
    setup_name: str
    setup_text: str
    sheet_name: str
    sheet_text: str
    seed: int
    uid: str
    tag: str
    good: int | None = None


class Ran(BaseModel):
    """Its outcome. `message`: why there is no run, or how it ended early."""

    model_config = ConfigDict(extra="forbid")
    run: int | None = None
    minutes: float = 0.0
    verdict: str | None = None
    message: str = ""
    findings: list[KeptFinding] = []


class ExerciseRun(Run):
    """The steps of `rig run --fast`; `ran` is the outcome."""

    def __init__(self, asked: Question, folder: Path) -> None:
        setup, sheet = folder / asked.setup_name, folder / asked.sheet_name
        setup.write_text(asked.setup_text, encoding="utf-8")
        sheet.write_text(asked.sheet_text, encoding="utf-8")
        options: dict[str, object] = dict.fromkeys(NOT_GIVEN)
        options |= {"fast": True, "seed": asked.seed, "as_json": True, "note": asked.tag}
        super().__init__(setup, sheet, options)
        self._asked, self._folder = asked, folder
        self.ran = Ran()

    def _state_folder(self) -> Path:
        return self._folder

    def _waits(self) -> bool:
        return False

    def _header(self, found: Preflight, signals: StopSignals) -> JsonObject:
        return {**super()._header(found, signals), "uid": self._asked.uid}

    def _finish(self, outcome: Outcome) -> int:
        if outcome.run is None or not outcome.started:
            self.ran = Ran(minutes=run_minutes(0.0), message=outcome.message)
            return outcome.code
        from rig.actions.analyse_run import analyse_and_save, run_seen
        from rig.diagnosis.findings.collect import findings_of
        from rig.runlog import remarks
        from rig.runlog.store import RunLog

        with RunLog(places.log_path()) as log:
            shape = analyse_and_save(log, outcome.run)
            remarks.add_tag(log, outcome.run, self._asked.tag)
            run = run_seen(log.load(outcome.run))
            good = run_seen(log.load(self._asked.good)) if self._asked.good is not None else None
        recording = run.recording
        took_ns = (recording.end.t_ns if recording.end is not None else 0) - recording.t0_ns
        self.ran = Ran(
            run=outcome.run,
            minutes=run_minutes(max(took_ns, 0) / NS_PER_S),
            verdict=shape["verdict"]["result"],
            message=outcome.trip.message if outcome.trip is not None else outcome.message,
            findings=[KeptFinding.of(one) for one in findings_of(run, good) if one.observed],
        )
        return outcome.code


NOT_GIVEN = (
    "valve", "job", "by", "mount", "oil_temperature", "base_pressure", "supply_voltage",
    "idle_speed", "ambient_temperature", "oil_grade", "oil_level", "proved", "confirmed_by",
    "accept_not_watched", "wait", "fault", "tsv", "full",
)  # fmt: skip
"""Options of `rig run` that an exercise does not use."""


def conduct(asked: JsonObject) -> Ran:
    """Do one run."""
    with tempfile.TemporaryDirectory(prefix="rig-exercise-") as folder:
        run = ExerciseRun(Question.model_validate(asked), Path(folder))
        try:
            run.go()
        except RigError as error:
            return Ran(minutes=run_minutes(0.0), message=str(error))
        return run.ran


def main() -> int:
    """Process one question after another."""
    os.nice(BEHIND)
    out, sys.stdout = sys.stdout, sys.stderr  # a stray print is no answer
    for line in sys.stdin:
        out.write(conduct(json.loads(line)).model_dump_json() + "\n")
        out.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
