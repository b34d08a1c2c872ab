# SPDX-License-Identifier: MIT
"""`rig run` on the emulated board, against the log of an independent plant on the same clock."""

from __future__ import annotations

import json
import shlex
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from agreement import MS, agree, logged_answers
from board import Plant, board_up
from build import MachineParts
from machine import HERE, JOB, Done, Guest

from rig.actions.analyse_run import recording_of, texts_of
from rig.core.errors import EXIT_INTERNAL, EXIT_TRIPPED
from rig.core.recording import Recording
from rig.core.records import READBACK, SWITCH
from rig.runlog.store import RunLog

pytestmark = pytest.mark.kernel

SETUP, SHEET = HERE / "emulated.setup.toml", HERE / "emulated.sheet.toml"
STROKES = 120
EDGES_LEAST = 200
MEDIAN_MAX_MS, P95_MAX_MS = 0.5, 3.0
SETTLES_MS = 25  # the sheet's settle window, and some more
STALL_MS = 50  # a shorter stall of the emulator is no excuse for anything
HOPELESS_MS = 500  # after a longer one nothing that was measured means anything
ATTEMPTS = 3
HELD_UP = (EXIT_TRIPPED, EXIT_INTERNAL)  # by a rule of the interlock, or by the guard
RUN_TIMEOUT_S = 280  # half a minute on an idle host
PLANT = {
    "readback_delay_ms": 4,
    # lists of different length, so that no two of many strokes are alike
    "close_delay_ms": [12, 16.5, 21, 25.5, 30, 34.5, 14],
    "open_delay_ms": [10, 14.5, 19, 23.5, 28],
    "gauge": {
        "port": "/dev/ttyS1", "line": "P {kpa:.1f} kPa\r\n", "period_ms": 100,
        "low_kpa": 60, "high_kpa": 330, "rise_ms": 25,
    },
}  # fmt: skip


Measured = Callable[[str, object], None]


class Ran(NamedTuple):
    """One run in the guest: how the command ended, its JSON, the recording, the plant's log."""

    done: Done
    result: dict[str, Any]
    recording: Recording
    log: dict[str, Any]


def rig_run(guest: Guest, board: Any, data: str) -> tuple[Done, dict[str, Any]]:
    command = [
        str(Path(sys.executable).parent / "rig"), "run", str(SETUP), str(SHEET),
        "--confirmed-by", "test", "--accept-not-watched", "--valve", "V1", "--json",
    ]  # fmt: skip
    with Plant(guest, board, **PLANT) as plant:
        done = guest.run(f"exec {shlex.join(command)}", RUN_TIMEOUT_S, {"RIG_DATA": data})
        return done, plant.finish()


def stall_ms(log: dict[str, Any]) -> float:
    """The longest time the emulator stood still from the first command to the last answer."""
    if not log["coil"]:
        return 0.0
    first, last = log["coil"][0][1], max(entry[2] for entry in log["coil"] + log["switch"])
    return max(((b - a) / MS for a, b in log["stalls"] if b > first and a < last), default=0.0)


def too_few_clean(done: Done, log: dict[str, Any]) -> bool:
    """Whether the plant itself was too late in too many strokes of a finished run."""
    if done.status != 0:
        return False
    clean = [answer.on for answer in logged_answers(log) if answer.settled(SETTLES_MS)]
    return min(clean.count(True), clean.count(False)) < EDGES_LEAST // 2


@pytest.fixture(scope="module")
def ran(
    machine_parts: MachineParts, tmp_path_factory: pytest.TempPathFactory, measured: Measured
) -> Iterator[Ran]:
    with Guest(machine_parts, gauge_cable=True) as guest:
        board = board_up(guest)
        for attempt in range(1, ATTEMPTS + 1):
            data = f"/run/data{attempt}"
            done, log = rig_run(guest, board, data)
            # Only the plant's own evidence that the host held the emulator up allows another go.
            stood_ms = stall_ms(log)
            measured(
                f"run {attempt} on the emulated board",
                f"exit status {done.status}, longest stall of the emulator {stood_ms:.0f} ms",
            )
            spoilt = done.status in HELD_UP or too_few_clean(done, log) or stood_ms > HOPELESS_MS
            if stood_ms < STALL_MS or not spoilt:
                break
        assert done.status == 0, done
        copied = guest.run(f"cp -r {data} {JOB}/data")
        assert copied.status == 0, copied
        folder = tmp_path_factory.mktemp("ran") / "data"
        shutil.copytree(guest.folder / "data", folder)
    with RunLog(folder / "runs.sqlite", readonly=True) as runs:
        stored = runs.load(1)
        setup, _ = texts_of(stored)
        yield Ran(done, json.loads(done.stdout), recording_of(stored, setup), log)


def test_it_runs_as_on_a_board_and_says_emulated(ran: Ran) -> None:
    assert ran.result["source"] == "emulated board"
    assert ran.result["valve"] == "V1"
    assert ran.result["trip"] is None
    watched = {rule["rule"] for rule in ran.result["watched"]}
    assert {"over-pressure", "gauge stale", "read-back disagreeing"} <= watched
    assert len(ran.result["strokes"]) == STROKES
    assert all(stroke["answered"] for stroke in ran.result["strokes"])


def test_every_edge_of_the_plant_is_recorded_once(ran: Ran) -> None:
    for line in (SWITCH, READBACK):
        edges = ran.recording.edges[line]
        assert list(edges.sequence) == list(range(1, 2 * STROKES + 1)), line
    closed = ran.recording.edges[SWITCH].level == ran.recording.switch_closed_level
    assert [int(c) for c in closed] == [entry[0] for entry in ran.log["switch"]]


def test_switch_edges_agree_with_the_plants_log(ran: Ran, measured: Measured) -> None:
    recorded = [t / MS for t in ran.recording.edges[SWITCH].t_ns]
    found = agree(recorded, [entry[1] / MS for entry in ran.log["switch"]])
    measured("switch edge against the plant's log", found)
    assert found.n >= EDGES_LEAST
    assert found.median_ms <= MEDIAN_MAX_MS, found
    assert found.p95_ms <= P95_MAX_MS, found


@pytest.mark.parametrize(("name", "on"), [("response_ms", True), ("release_ms", False)])
def test_response_and_release_agree_with_the_plants_log(
    ran: Ran, measured: Measured, name: str, on: bool
) -> None:
    """Over the strokes in which, by its own log, the plant let the switch settle: a busy host can
    hold it up."""
    answers = [answer for answer in logged_answers(ran.log) if answer.on == on]
    pairs = [
        (stroke[name], answer.delay_ms)
        for stroke, answer in zip(ran.result["strokes"], answers, strict=True)
        if answer.settled(SETTLES_MS)
    ]
    # where the emulator held the bench's turn up, the window to the next command may be cut short
    given = [(recorded, logged) for recorded, logged in pairs if recorded is not None]
    assert len(given) >= 0.95 * len(pairs), f"{len(pairs) - len(given)} of {len(pairs)} not given"
    pairs = given
    found = agree([recorded for recorded, _ in pairs], [logged for _, logged in pairs])
    measured(f"{'response' if on else 'release'} time against the plant's log", found)
    assert found.n >= EDGES_LEAST // 2
    assert found.median_ms <= MEDIAN_MAX_MS, found
    assert found.p95_ms <= P95_MAX_MS, found


def test_gauge_readings_are_those_the_plant_sent(ran: Ran) -> None:
    pressure = ran.recording.samples["pressure"]
    sent = np.array([entry[0] for entry in ran.log["gauge"]])
    assert pressure.good.all()
    assert len(pressure.value) > STROKES  # ten a second, strokes of 180 ms
    for kpa in pressure.value:  # sent with one digit after the point
        assert np.abs(sent - kpa).min() <= 0.051
