# SPDX-License-Identifier: MIT
"""Resident memory of a run's three processes, as the kernel counts it (proc_pid_status(5), VmRSS).

So that a board with 512 MB suffices. Pages that the three share are counted for each of them, so
what they take of the board together is less; PSS, which shares them out, is published beside it.
"""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import Ratios

ROOT = Path(__file__).parents[2]
SETUP = ROOT / "demo/engine.setup.toml"
"""Three fast channels, temperature, voltages, engine speed: nothing of ours needs more."""
PATIENT = ("[limits]\n", '[limits]\ngauge_stale = "9 s"\n')
"""Time is not the question here: a busy machine is to end no run."""
SHEET = """
kind = "strokes"
strokes = 12
on_time = "500 ms"
rest = "500 ms"
settle_wait = "2 s"
"""
BENCH_MB, TOGETHER_MB = 45.0, 150.0
MODULES = {"rig.compose": "bench", "rig.recorder": "recorder"}


def children(pid: int) -> list[int]:
    listings = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(child) for listing in listings for child in listing.read_text().split()]


def figure_mb(path: Path, key: str) -> float:
    found = re.search(rf"^{key}:\s+(\d+) kB", path.read_text(), re.MULTILINE)
    return int(found[1]) / 1024 if found else 0.0


def now_mb(desk: int, file: str, key: str) -> dict[str, float]:
    """A figure of desk, bench and recorder, as far as they exist."""
    sizes: dict[str, float] = {}
    with contextlib.suppress(OSError):  # one of them ended meanwhile
        sizes["desk"] = figure_mb(Path(f"/proc/{desk}/{file}"), key)
        for pid in children(desk):
            words = Path(f"/proc/{pid}/cmdline").read_bytes().decode().split("\0")
            for word in words:  # between fork and exec it has those of the desk
                if word in MODULES:
                    sizes[MODULES[word]] = figure_mb(Path(f"/proc/{pid}/{file}"), key)
    return sizes


@pytest.mark.timeout(180)
def test_resident_memory_of_a_run_with_fast_channels(tmp_path: Path, ratios: Ratios) -> None:
    sheet = tmp_path / "memory.sheet.toml"
    sheet.write_text(SHEET)
    setup = tmp_path / "memory.setup.toml"
    setup.write_text(SETUP.read_text().replace(*PATIENT))
    words = [sys.executable, "-m", "rig.cli.main", "run", str(setup), str(sheet), "--json"]
    most: dict[str, float] = {}
    together = shared_out = 0.0
    with subprocess.Popen(words, cwd=ROOT, stdout=subprocess.DEVNULL) as run:
        while run.poll() is None:
            sizes = now_mb(run.pid, "status", "VmRSS")
            for name, size in sizes.items():
                most[name] = max(most.get(name, 0.0), size)
            if len(sizes) == 3 and sum(sizes.values()) > together:
                together = sum(sizes.values())
                shared_out = sum(now_mb(run.pid, "smaps_rollup", "Pss").values())
            time.sleep(0.05)
    assert run.returncode in (0, 5), "the run was to finish"
    assert set(most) == {"desk", "bench", "recorder"}
    note = f"({most['bench']:.0f} MB)"
    ratios.at_most("resident memory of the bench, of 45 MB", most["bench"] / BENCH_MB, 1.0, note)
    note = f"({together:.0f} MB)"
    ratios.at_most("of bench, recorder and desk, of 150 MB", together / TOGETHER_MB, 1.0, note)
    ratios.note("the same, shared pages counted once (PSS)", f"{shared_out:.0f} MB")
    ratios.note("of the desk alone while it analyses the run", f"{most['desk']:.0f} MB")
