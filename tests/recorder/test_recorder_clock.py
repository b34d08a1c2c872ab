# SPDX-License-Identifier: MIT
"""A wall clock that is set, and a computer that sleeps, while a run goes on."""

import pytest
from recorder_parts import END, lines, sample
from run_headers import header

from rig.core.clock import NS_PER_S, Clocks
from rig.recorder.recorder import Recorder
from rig.runlog.store import RunLog

START = Clocks(1_700_000_000 * NS_PER_S, 50 * NS_PER_S, 80 * NS_PER_S)


@pytest.mark.parametrize(
    ("wall_s", "asleep_s", "expected", "words"),
    [
        (0.0, 0.0, (0.0, 0.0), ""),
        (0.4, 0.0, (0.0, 0.0), ""),
        (3600.0, 0.0, (3600.0, 0.0), "Clock stepped by 3600.0 s (forward) during the run"),
        (-3600.0, 0.0, (-3600.0, 0.0), "Clock stepped by 3600.0 s (back) during the run"),
        (0.0, 900.0, (0.0, 900.0), "The computer slept 900.0 s during the run"),
    ],
)
def test_the_run_says_what_happened_to_the_clocks(
    tmp_path, wall_s, asleep_s, expected, words
) -> None:
    """The clocks are stepped between start and end; what is recorded does not change."""
    awake_s = 12.0
    ends = Clocks(
        START.wall_ns + round((awake_s + asleep_s + wall_s) * NS_PER_S),
        START.monotonic_ns + round(awake_s * NS_PER_S),
        START.boottime_ns + round((awake_s + asleep_s) * NS_PER_S),
    )
    readings = [START, ends]
    with RunLog(tmp_path / "runs.sqlite") as log:
        recorder = Recorder(log, header(), tmp_path, read_clocks=lambda: readings.pop(0))
        recorder.take(lines(3))
        recorder.finish(END)
        run = log.load(recorder.run_id)
    assert run.clock == expected
    assert run.remark.startswith(words)
    assert bool(run.remark) == bool(words)
    assert (list(run.records()), run.end) == ([sample(i) for i in range(3)], END)
