# SPDX-License-Identifier: MIT
"""Speed and size of a run, as ratios measured side by side on this machine."""

from __future__ import annotations

import json
import math
import os
import random
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from blocks import family_s, hold_at_most, reference_work, timed
from conftest import Ratios
from gpiozero import OutputDevice
from gpiozero.pins.mock import MockFactory, MockPin

ROOT = Path(__file__).parents[2]
SETUP = ROOT / "demo/workshop.setup.toml"
SIMULATION_TIMES = 220
START_TIMES = 4
DIAGNOSE_TIMES = 1.5
LIBRARIES = "click, gpiozero, pydantic, sqlalchemy.orm"


def sheet(folder: Path, strokes: int, on: str = "500 ms", rest: str = "500 ms") -> str:
    path = folder / "speed.sheet.toml"
    path.write_text(
        f'kind = "strokes"\nstrokes = {strokes}\non_time = "{on}"\nrest = "{rest}"\n'
        'settle_wait = "2 s"\n'
    )
    return str(path)


def python(*words: str, ends: int = 0) -> None:
    done = subprocess.run([sys.executable, *words], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == ends, done.stderr[-2000:]


@pytest.fixture
def compiled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Modules are compiled once, as in an installation: doing it at each start is no part of what
    is measured."""
    monkeypatch.delenv("PYTHONDONTWRITEBYTECODE", raising=False)
    monkeypatch.setenv("PYTHONPYCACHEPREFIX", str(tmp_path / "compiled"))


@pytest.mark.usefixtures("compiled")
def test_fast_simulation_against_reference_work(tmp_path: Path, ratios: Ratios) -> None:
    """1,000 strokes of 0.5 s on and 0.5 s rest with a gauge at 10 Hz, program start included.

    Processor time of the program's one process, against a fixed piece of plain Python.
    """
    python("-m", "rig.cli.main", "run", str(SETUP), sheet(tmp_path, 1), "--fast", "--json")
    words = ["-m", "rig.cli.main", "run", str(SETUP), sheet(tmp_path, 1000), "--fast", "--json"]
    found = hold_at_most(
        ratios, "fast simulation of 1,000 strokes, times the reference work", SIMULATION_TIMES,
        timed(lambda: python(*words), 1, family_s), timed(reference_work, 20, time.process_time),
        pairs=7, most_pairs=21, note="({ours:.3g} s against {reference:.3g} s)",
    )  # fmt: skip
    ratios.note("fast simulation, times real time", f"{1002 / found.ours:.0f}")


def test_help_against_importing_click(ratios: Ratios) -> None:
    hold_at_most(
        ratios, "rig --help, times import click", 2.0,
        timed(lambda: python("-m", "rig.cli.main", "--help"), 1),
        timed(lambda: python("-c", "import click"), 1),
    )  # fmt: skip


@pytest.mark.timeout(400)
@pytest.mark.usefixtures("compiled")
def test_diagnose_against_show(ratios: Ratios) -> None:
    """Processor time of `rig diagnose` over that of `rig show`, on one run of the demo."""
    rig = ["-m", "rig.cli.main"]
    python(*rig, "run", str(SETUP), str(ROOT / "demo/workshop.sheet.toml"), "--fast")

    def diagnose() -> None:
        python(*rig, "diagnose", "last", ends=5)  # undecided

    def show() -> None:
        python(*rig, "show", "last")

    diagnose()  # compiled from here on
    show()
    hold_at_most(
        ratios, "rig diagnose of one run, times rig show", DIAGNOSE_TIMES,
        timed(diagnose, 1, family_s), timed(show, 1, family_s),
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


class TimedPin(MockPin):
    """Keeps the instant at which it was first driven low."""

    low_ns = 0

    def _set_state(self, value: bool) -> None:
        was_high = self._state
        super()._set_state(value)
        if was_high and not value:
            TimedPin.low_ns = time.perf_counter_ns()


PAIRS, PAIRS_MOST, TRIES, MOST = 60, 600, 200, 3


class Undisturbed:
    """Tells whether this thread kept its processor to itself: it did not wait for one
    (sched-stats.rst of the kernel), and its processor took no interrupt."""

    def __enter__(self) -> Undisturbed:
        self._allowed = os.sched_getaffinity(0)
        self._processor = max(self._allowed)
        os.sched_setaffinity(0, {self._processor})
        account = f"/proc/self/task/{threading.get_native_id()}/schedstat"
        self._files = [os.open(path, os.O_RDONLY) for path in (account, "/proc/interrupts")]
        head = os.pread(self._files[1], 4096, 0).split(b"\n")[0].split()
        self._column = 1 + head.index(f"CPU{self._processor}".encode())
        return self

    def __exit__(self, *_: object) -> None:
        for file in self._files:
            os.close(file)
        os.sched_setaffinity(0, self._allowed)

    def seen(self) -> tuple[int, int]:
        """Nanoseconds waited and interrupts taken so far."""
        waited_ns = int(os.pread(self._files[0], 100, 0).split()[1])
        rows = [row.split() for row in os.pread(self._files[1], 1 << 16, 0).splitlines()[1:]]
        counts = [row[self._column] for row in rows if len(row) > self._column]
        return waited_ns, sum(int(count) for count in counts if count.isdigit())


def p99(times: list[int]) -> int:
    return sorted(times)[int(0.99 * len(times))]


@pytest.mark.timeout(400)
def test_sample_to_relay_off_against_a_bare_off(ratios: Ratios) -> None:
    """From a decoded reading over the limit to the line low: the interlock, and a callback that
    compares and calls gpiozero's off().

    A try is a microsecond or two, and about one in a hundred is stopped by an interrupt for 10 to
    60 us, more on a busy machine: the p99 would be on the edge between the two and tell of the
    neighbours. Hence a try in which the kernel counted an interrupt, or a wait for the processor,
    is made again, however long it took; the rest are compared in short blocks, in turns.
    """
    from rig.bench.interlock.interlock import Interlock
    from rig.config.files.loading import load_setup
    from rig.core.records import Sample
    from rig.io.gpio import RelayCoil

    setup = load_setup(SETUP).setup
    factory = MockFactory(pin_class=TimedPin)
    bare = OutputDevice(5, pin_factory=factory)
    coil = RelayCoil(17, factory)
    over = Sample("pressure", 9999.0, 1, "good")

    def callback(sample: Sample) -> None:
        if sample.value is None or not sample.value <= 500.0:
            bare.off()

    def bare_ns() -> int:
        bare.on()
        start = time.perf_counter_ns()
        callback(over)
        return TimedPin.low_ns - start

    def path_ns() -> int:
        interlock = Interlock(coil, setup, lambda _: None, time.monotonic_ns)
        interlock.energise(1)
        start = time.perf_counter_ns()
        interlock.see_sample(over)
        assert interlock.trip is not None and not coil.commanded_on
        return TimedPin.low_ns - start

    def block_of(one: Callable[[], int]) -> list[int]:
        times: list[int] = []
        before = undisturbed.seen()
        while len(times) < TRIES:
            took = one()
            after = undisturbed.seen()
            if after == before:
                times.append(took)
            before = after
        return times

    def ratio(of: list[tuple[int, int]]) -> float:
        return statistics.median(p for p, _ in of) / statistics.median(b for _, b in of)

    pairs: list[tuple[int, int]] = []
    low, high = 0.0, math.inf
    with Undisturbed() as undisturbed:
        while low <= MOST < high and len(pairs) < PAIRS_MOST:  # open: more pairs narrow it
            for n in range(PAIRS):
                block = {}
                for one in (bare_ns, path_ns) if n % 2 else (path_ns, bare_ns):
                    block[one] = p99(block_of(one))
                    for line in (5, 17):
                        factory.pin(line).clear_states()  # a mock pin keeps all it ever was
                pairs.append((block[path_ns], block[bare_ns]))
            dice = random.Random(1)
            drawn = sorted(ratio(dice.choices(pairs, k=len(pairs))) for _ in range(2000))
            low, high = drawn[50], drawn[-51]
    coil.close()
    bare.close()
    factory.close()

    ratios.note("sample to line low, p99, times a bare off() in a callback", f"{ratio(pairs):.2f}")
    ratios.at_most("the same, upper end of its 95 % interval", high, MOST,
                   f"(lower end {low:.3g}, {len(pairs)} pairs)")  # fmt: skip


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
