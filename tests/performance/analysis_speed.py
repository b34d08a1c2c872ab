# SPDX-License-Identifier: MIT
"""Work for the rows of test_analysis_speed.py: a large recording, and a log of many runs."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from rig.analysis.analyse import analyse
from rig.config.files.loading import load_pair
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet, StrokesSheet
from rig.core.recording import CommandSeries, EdgeSeries, Recording, SampleSeries
from rig.core.records import End
from rig.results.run_json import run_json

ROOT = Path(__file__).parents[2]
SETUP = ROOT / "demo/workshop.setup.toml"
SHEET = ROOT / "demo/workshop.sheet.toml"
STROKES, EDGES, SAMPLES = 1_000, 100_000, 1_000_000
MS = 1_000_000
LOGGED_STROKES = 50
LIMIT_RATIO, LIMIT_RUN_TIMES = 5.0, 2.0


def large_recording(seed: int = 1) -> Recording:
    """1,000 strokes of one second with 1e5 edges (nearly all of them bounce) and 1e6 readings of a
    gauge, pressure following the valve with noise."""
    rng = np.random.default_rng(seed)
    start = (np.arange(STROKES) + 1) * 1000 * MS
    readback = np.stack((start + 8 * MS, start + 504 * MS), axis=1)
    bounce = (EDGES - readback.size) // (2 * STROKES)
    bounce -= 1 - bounce % 2  # odd: the last edge leads to the wanted state
    response = rng.normal(50, 1, STROKES)[:, None] * MS
    steps = np.sort(rng.integers(0, 5 * MS, (STROKES, 2, bounce)), axis=2)
    steps += np.arange(bounce)  # no two at one instant
    switch = np.stack((readback[:, :1] + response, readback[:, 1:] + 0.6 * response), axis=1)
    switch = (switch + steps).astype(np.int64).ravel()
    last_ns = (STROKES + 1) * 1000 * MS
    t_ns = np.linspace(0, last_ns, SAMPLES).astype(np.int64)
    within = t_ns % (1000 * MS)
    on = (t_ns >= 1000 * MS) & (within > 30 * MS) & (within < 520 * MS)
    pressure = np.where(on, 310.0, 5.0) + rng.normal(0, 1, SAMPLES)
    commands = np.stack((start, start + 500 * MS), axis=1).ravel()

    def edges(times: np.ndarray, first: int) -> EdgeSeries:
        level = ((np.arange(len(times)) + first) % 2).astype(np.int8)
        return EdgeSeries(times, level, np.arange(1, len(times) + 1))

    return Recording(
        source="board",
        t0_ns=0,
        commands=CommandSeries(
            commands, commands + 200, np.tile([True, False], STROKES),
            np.repeat(np.arange(1, STROKES + 1), 2),
        ),
        edges={"switch": edges(switch, 0), "readback": edges(readback.ravel(), 1)},
        levels={},
        samples={"pressure": SampleSeries(t_ns, pressure, np.ones(SAMPLES, np.bool_))},
        conditions=[], steps=[], trips=[], end=End("finished", "confirmed off", last_ns),
        switch_closed_level=0,
    )  # fmt: skip


def arrays_of(recording: Recording) -> list[np.ndarray]:
    found: list[np.ndarray] = []
    for edges in recording.edges.values():
        found += [edges.t_ns, edges.level, edges.sequence]
    for samples in recording.samples.values():
        found += [samples.t_ns, samples.value, samples.good]
    return found


def numpy_pass(shuffled: list[np.ndarray]) -> None:
    for array in shuffled:
        np.sort(array).mean()


def parts() -> tuple[Setup, Sheet]:
    setup, sheet = load_pair(SETUP, SHEET)
    assert sheet is not None
    assert isinstance(sheet.sheet, StrokesSheet)
    return setup.setup, sheet.sheet.model_copy(update={"strokes": STROKES})


def analysis_sides() -> tuple[Callable[[], object], Callable[[], object]]:
    """Analysis of the large recording with its JSON, and a pass of numpy over as many numbers."""
    recording = large_recording()
    setup, sheet = parts()
    edges = sum(len(series.t_ns) for series in recording.edges.values())
    assert edges >= 0.95 * EDGES
    assert len(recording.samples["pressure"].t_ns) == SAMPLES
    result = analyse(recording, setup, sheet)  # loads what is loaded late
    assert int(result.strokes.settled.sum()) == STROKES
    rng = np.random.default_rng(2)
    shuffled = [rng.permutation(array) for array in arrays_of(recording)]
    return lambda: run_json(analyse(recording, setup, sheet)), lambda: numpy_pass(shuffled)


def log_runs(folder: Path, n: int) -> None:
    """`n` simulated runs of 50 strokes: one is done, its records are logged n times."""
    import dataclasses
    import uuid

    from rig.runlog.store import RunLog

    sheet = folder / "speed.sheet.toml"
    sheet.write_text(
        f'kind = "strokes"\nstrokes = {LOGGED_STROKES}\non_time = "500 ms"\nrest = "500 ms"\n'
        '[[accept]]\nfigure = "response"\nmax = "150 ms"\n'
    )
    subprocess.run(
        [sys.executable, "-m", "rig.cli.main", "run", str(SETUP), str(sheet), "--fast", "--json"],
        check=True, capture_output=True, cwd=ROOT, env={**os.environ, "RIG_DATA": str(folder)},
    )  # fmt: skip
    with RunLog(folder / "runs.sqlite") as log:
        stored = log.load(1)
        chunks = list(stored.chunks())
        for _ in range(n - 1):
            header = dataclasses.replace(stored.header, uid=uuid.uuid4().hex)
            run = log.begin_run(header)
            for text in chunks:
                log.append_chunk(run, text.count(b"\n"), text)
            log.end_run(run, "finished", stored.end)


def analyse_again(folder: str, numbers: list[int]) -> float:
    """Load and analyse these runs of a log as `rig show` would; returns the processor's seconds."""
    os.environ["RIG_DATA"] = folder
    from rig.actions.analyse_run import analysed, opened_log

    start = time.process_time()
    with opened_log() as log:
        for number in numbers:
            assert analysed(log.load(number))["verdict"]["result"] == "conforms"
    return time.process_time() - start
