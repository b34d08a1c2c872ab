# SPDX-License-Identifier: MIT
"""The rig measures itself: a run on the loop of `rig calibrate --timing`, and its figures."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.actions.conduct_run import Run
from rig.core import places
from rig.core.errors import UsageError
from rig.core.json_values import JsonObject

if TYPE_CHECKING:
    from rig.analysis.measure.own_timing import OwnTimes
    from rig.config.setup.model import Setup

NOTE = "rig's own timing: resistor in the coil's place, load side led into the switch input"
LEAST_TIME_S = 0.1
DUTY_SHARE = 0.5
"""Share of the setup's largest duty: what a resistor in the coil's place must bear."""
BY_NOBODY = (
    "valve", "job", "mount", "fault", "oil_temperature", "base_pressure", "supply_voltage",
    "idle_speed", "ambient_temperature", "oil_grade", "oil_level",
)  # fmt: skip
"""Run options not used without a valve."""


PLAIN = ("run", "source", "setup_hash", "wired", "date", "due", "by")


@dataclass(frozen=True)
class TimingRecord:
    """The rig's own times, with date: the content of a setup's `[timing]`. Times in ms. `run` is
    the run in the log, `source` board, emulated board or simulated, `setup_hash` that of its setup,
    `wired` its Setup.wired_for_timing."""

    run: int
    source: str
    setup_hash: str
    wired: str
    date: str
    due: str
    by: str
    times: OwnTimes

    def as_json(self) -> JsonObject:
        """All fields by name."""
        times = self.times
        return {
            **{name: value for name, value in asdict(self).items() if name != "times"},
            "timed_from": times.timed_from,
            "response": times.response._asdict(),
            "release": times.release._asdict(),
            "left_out": times.left_out,
        }


class TimingRun(Run):
    """A run of the loop: logged, watched and confirmed like any other. Its result says nothing
    about a valve and is not shown."""

    purpose = "own timing"
    stored: int | None = None
    """Number in the log of the recorded run."""

    def _analyse_and_show(self, run: int, *, whole: bool) -> int:
        from rig.actions.analyse_run import analyse_and_save
        from rig.runlog.store import RunLog

        with RunLog(places.log_path()) as log:
            if not whole:
                log.mark_interrupted()
            analyse_and_save(log, run)
        self.stored = run
        return 0


def do_run(setup: Path, strokes: int, options: Mapping[str, object]) -> tuple[int, int | None]:
    """Do the run on the rig of `setup`; returns the exit code, and the run's number if it was
    recorded. `options`: by, confirmed_by, accept_not_watched, wait, fast, seed. Raises RigError.

    On a board a person has wired the loop; on a simulated rig it is wired here, in the setup stored
    with the run."""
    from rig.config.files.loading import load_setup
    from rig.config.files.simulated_table import with_timing_loop

    loaded = load_setup(setup)
    every = {**dict.fromkeys(BY_NOBODY), "note": NOTE, "as_json": False, **options}
    with tempfile.TemporaryDirectory(prefix="rig-timing-") as folder:
        wired = setup
        if loaded.setup.backend == "simulated":
            text = with_timing_loop(loaded.text)
            if text is None:
                raise UsageError(
                    f"{setup}: the loop cannot be written into [simulated] as it stands. Write "
                    "timing_loop = true below [simulated.wiring] yourself. Nothing was energised."
                )
            wired = Path(folder) / setup.name
            wired.write_text(text, encoding="utf-8")
        sheet = Path(folder) / "timing.sheet.toml"
        sheet.write_text(sheet_text(loaded.setup, strokes), encoding="utf-8")
        run = TimingRun(wired, sheet, every)
        return run.go(), run.stored


def sheet_text(setup: Setup, strokes: int) -> str:
    """The strokes of a timing run: as fast as the relay settles and the limits allow."""
    relay, limits = setup.relay, setup.limits
    slowest_s = max(relay.operate_delay_s, relay.release_delay_s)
    on_s = max(LEAST_TIME_S, 3 * slowest_s)
    rest_s = max(on_s, on_s / (DUTY_SHARE * limits.duty) - on_s)
    on_ms, rest_ms = (math.ceil(1e3 * time_s - 1e-6) for time_s in (on_s, rest_s))
    return (
        f'title = "Rig\'s own timing, no valve"\nkind = "strokes"\nstrokes = {strokes}\n'
        f'on_time = "{on_ms} ms"\nrest = "{rest_ms} ms"\n'
        'settle_wait = "1 s"\nsettle_window = "20 ms"\n'
    )


def times_of(run: int) -> tuple[OwnTimes, str, str, str]:
    """The rig's own times from a stored run, its source, the hash of its setup, and how that is
    wired. Raises NoLoopError if the run does not show them or did not finish."""
    from rig.actions.analyse_run import opened_log, recording_of, texts_of
    from rig.analysis.measure.own_timing import NoLoopError, own_times

    with opened_log() as log:
        stored = log.load(run)
        if stored.status != "finished":
            raise NoLoopError(f"the run did not finish ({stored.status})")
        setup, _ = texts_of(stored)
        if setup is None:
            raise NoLoopError("the setup that is stored with it cannot be read")
        found = own_times(recording_of(stored, setup), setup.relay)
        header = stored.header
        return found, header.source, header.setup_hash, setup.wired_for_timing


def read_record(data: JsonObject) -> TimingRecord:
    """Parse a record from `as_json`. Raises UsageError if it is not one."""
    from rig.analysis.measure.own_timing import OwnTimes, Way

    try:
        plain = {name: data[name] for name in PLAIN}
        on, off = (Way(**data[name]) for name in ("response", "release"))
        times = OwnTimes(str(data["timed_from"]), on, off, int(data["left_out"]))
        return TimingRecord(**plain, times=times)
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(f"This is no record of a rig's own timing ({error}).") from error
