# SPDX-License-Identifier: MIT
"""Starts gauge_emulator.py and reads it through the program's own link and gauge."""

from __future__ import annotations

import contextlib
import json
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rig.config.gauge.model import GaugeSetup
from rig.core.records import Condition, Sample
from rig.io.gauges.open_gauge import open_gauge

EMULATOR = Path(__file__).resolve().parent / "gauge_emulator.py"


@contextlib.contextmanager
def emulated(folder: Path, **plan: Any) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The terminal of a running emulator, and its process."""
    path = folder / "plan.json"
    path.write_text(json.dumps(plan))
    with subprocess.Popen(
        [sys.executable, str(EMULATOR), str(path)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip(), process
        finally:
            process.kill()


def read_for(gauge: Any, seconds: float, enough: int = 10**9) -> list[Sample | Condition]:
    """What a gauge gives, read as the bench does: in select(2), with a tick."""
    out: list[Sample | Condition] = []
    until = time.monotonic() + seconds
    while time.monotonic() < until and sum(isinstance(x, Sample) for x in out) < enough:
        fd = gauge.fileno()
        select.select([] if fd is None else [fd], [], [], 0.01)
        out += gauge.read()
    return out


def read_emulated(
    folder: Path, gauge: GaugeSetup, *, seconds: float, enough: int, **plan: Any
) -> list[Sample | Condition]:
    """Start the emulator and read it."""
    with emulated(folder, **plan) as (port, _):
        opened = open_gauge(gauge, port)
        try:
            return read_for(opened, seconds, enough)
        finally:
            opened.close()
