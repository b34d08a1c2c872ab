# SPDX-License-Identifier: MIT
"""Speed and size of a run, as ratios measured side by side on this machine."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from blocks import family_s, hold_at_most, reference_work, timed
from conftest import Ratios
from gpiozero import OutputDevice
from gpiozero.pins.mock import MockFactory

ROOT = Path(__file__).parents[2]
SETUP = ROOT / "demo/workshop.setup.toml"
SIMULATION_TIMES = 180
START_TIMES = 4
LIBRARIES = "click, gpiozero, pydantic, sqlalchemy.orm"


def sheet(folder: Path, strokes: int, on: str = "500 ms", rest: str = "500 ms") -> str:
    path = folder / "speed.sheet.toml"
    path.write_text(
        f'kind = "strokes"\nstrokes = {strokes}\non_time = "{on}"\nrest = "{rest}"\n'
        'settle_wait = "2 s"\n'
    )
    return str(path)


def python(*words: str) -> None:
    subprocess.run([sys.executable, *words], check=True, capture_output=True, cwd=ROOT)


def test_fast_simulation_against_reference_work(tmp_path: Path, ratios: Ratios) -> None:
    """1,000 strokes of 0.5 s on and 0.5 s rest with a gauge at 10 Hz, program start included.

    Processor time of the program's one process, against a fixed piece of plain Python.
    """
    words = ["-m", "rig.cli.main", "run", str(SETUP), sheet(tmp_path, 1000), "--fast", "--json"]
    found = hold_at_most(
        ratios, "fast simulation of 1,000 strokes, times the reference work", SIMULATION_TIMES,
        timed(lambda: python(*words), 1, family_s), timed(reference_work, 20, family_s),
        pairs=3, most_pairs=9, note="({ours:.3g} s against {reference:.3g} s)",
    )  # fmt: skip
    ratios.note("fast simulation, times real time", f"{1002 / found.ours:.0f}")


def test_help_against_importing_click(ratios: Ratios) -> None:
    hold_at_most(
        ratios, "rig --help, times import click", 2.0,
        timed(lambda: python("-m", "rig.cli.main", "--help"), 1),
        timed(lambda: python("-c", "import click"), 1),
    )  # fmt: skip


def test_start_to_first_energise(tmp_path: Path, ratios: Ratios) -> None:
    """Real time from the start of the command to the first energise, less the settle wait, against
    the start of Python with the libraries a run cannot do without."""
    words = ["-m", "rig.cli.main", "run", str(SETUP), sheet(tmp_path, 1), "--json"]

    def start() -> list[float]:
        start_ns = time.monotonic_ns()
        python(*words)
        raw = max((Path(os.environ["RIG_DATA"]) / "raw").iterdir(), key=os.path.getmtime)
        line = next(line for line in raw.read_text().splitlines() if '["C",true,' in line)
        first_ns = json.loads(line[line.index("[") :])[2]
        return [(first_ns - start_ns) / 1e9 - 2.0]

    hold_at_most(
        ratios, "start to first energise less settle wait, times the start of its libraries",
        START_TIMES, start, timed(lambda: python("-c", f"import {LIBRARIES}"), 1),
        pairs=4, most_pairs=12, note="({ours:.3g} s against {reference:.3g} s)",
    )  # fmt: skip


def test_sample_to_relay_off_against_a_bare_off(ratios: Ratios) -> None:
    """The interlock's path from a decoded sample to the line off, against gpiozero alone."""
    from rig.bench.interlock.interlock import Interlock
    from rig.config.files.loading import load_setup
    from rig.core.records import Sample
    from rig.io.gpio import RelayCoil

    setup = load_setup(SETUP).setup
    factory = MockFactory()
    bare = OutputDevice(5, pin_factory=factory)
    coil = RelayCoil(17, factory)
    bare_ns, path_ns = [], []
    for n in range(3000):
        bare.on()
        start = time.perf_counter_ns()
        bare.off()
        bare_ns.append(time.perf_counter_ns() - start)
        interlock = Interlock(coil, setup, lambda _: None, time.monotonic_ns)
        interlock.energise(1)
        sample = Sample("pressure", 9999.0, n, "good")
        start = time.perf_counter_ns()
        interlock.see_sample(sample)
        path_ns.append(time.perf_counter_ns() - start)
        assert not coil.commanded_on
    coil.close()
    bare.close()
    p99 = [sorted(times)[int(0.99 * len(times))] for times in (path_ns, bare_ns)]
    ratios.at_most("sample to relay off, p99, times a bare off()", p99[0] / p99[1], 10)


GROWTH = """
import sys
import rig.actions.conduct_run as running
from rig.cli.main import main

def resident_mb():
    status = open("/proc/self/status").read()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024

original = running.Run._run_fast

def measured(self, *words):
    before = resident_mb()
    result = original(self, *words)
    print("GROWTH", resident_mb() - before, file=sys.stderr)
    return result

running.Run._run_fast = measured
main()
"""


@pytest.mark.timeout(300)
def test_growth_over_ten_thousand_strokes(tmp_path: Path, ratios: Ratios) -> None:
    """Resident growth while they are recorded, bench, plant and recorder in one process."""
    words = ["run", str(SETUP), sheet(tmp_path, 10_000, "100 ms", "100 ms"), "--fast", "--json"]
    done = subprocess.run(
        [sys.executable, "-c", GROWTH, *words], capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr[-2000:]
    growth_mb = float(done.stderr.rpartition("GROWTH ")[2].split()[0])
    ratios.at_most("growth while 10,000 strokes are recorded, of 30 MB", growth_mb / 30, 1.0)
