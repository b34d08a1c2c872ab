# SPDX-License-Identifier: MIT
"""Many short strokes in one run of real processes, with random faults: nothing may grow.

Measured is the kernel's account of each process (proc(5)): threads, open descriptors, resident
memory.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from live_runs import SETUP, SHEET, live_run, result
from soak_faults import RandomFaults
from test_faults_processes import children, recorder_of

STROKES, STROKES_SHORT = 20_000, 300
STROKE_S = 0.04
GROWTH_SHARE = 0.15
GROWTH_KB = 3_000
LOOK_S = 0.5
SEED = 20


class Account(NamedTuple):
    threads: int
    descriptors: int
    resident_kb: int


def account(pid: int) -> Account | None:
    """None if the process has ended."""
    try:
        status = Path(f"/proc/{pid}/status").read_text().split()
        files = len(list(Path(f"/proc/{pid}/fd").iterdir()))
        return Account(
            int(status[status.index("Threads:") + 1]),
            files,
            int(status[status.index("VmRSS:") + 1]),
        )
    except (OSError, ValueError):
        return None


@pytest.mark.timeout(3600)
def test_many_short_strokes_leak_nothing(
    tmp_path: Path, full_study: bool, measured: Callable[[str], None]
) -> None:
    n = STROKES if full_study else STROKES_SHORT
    sheet = SHEET.replace("strokes = 60", f"strokes = {n}").replace("150 ms", "20 ms")
    setup = SETUP.replace("[limits]", '[limits]\nduty = "100 %"')
    sheet = sheet.replace('settle_window = "15 ms"', 'settle_window = "5 ms"')
    seen: dict[str, list[Account]] = {"desk": [], "bench": [], "recorder": []}
    with live_run(tmp_path, setup=setup, sheet=sheet) as run:
        run.wait_strokes(20)
        (bench,) = children(run.process.pid, "rig.compose")
        pids = {"desk": run.process.pid, "bench": bench, "recorder": recorder_of(run)}
        until = time.monotonic() + n * STROKE_S * 3
        with RandomFaults(run, SEED) as faults:
            while run.state().owner is not None and time.monotonic() < until:
                found = {name: account(pid) for name, pid in pids.items()}
                if all(found.values()):
                    for name, one in found.items():
                        seen[name].append(one)
                time.sleep(LOOK_S)
        code, out, err = run.finish(300)
        thrown = ", ".join(f"{n} x {name}" for name, n in sorted(faults.thrown.items()))
        measured(f"soak: {n} strokes, {sum(faults.thrown.values())} faults survived ({thrown})")
        assert code == 0, (faults.thrown, err)
        assert not faults.broke
        assert len(result(out)["strokes"]) == n
    assert sum(faults.thrown.values()) > n // 100
    for name, accounts in seen.items():
        half = accounts[len(accounts) // 4 : -2]  # warmed up, and before it begins to close
        measured(f"soak, {name}: {len(half)} looks, first {half[0]}, last {half[-1]}")
        assert len({one.threads for one in half}) == 1, (name, half)
        assert half[-1].descriptors <= half[0].descriptors, (name, half[0], half[-1])
        allowed = max(GROWTH_KB, GROWTH_SHARE * half[0].resident_kb)
        assert half[-1].resident_kb - half[0].resident_kb <= allowed, (name, half[0], half[-1])
