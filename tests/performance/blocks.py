# SPDX-License-Identifier: MIT
"""Two pieces of work compared in alternating blocks, on a machine that may be busy.

Both sides are measured in turn, block by block, so that a slow second of the machine strikes both.
Each pair of blocks gives one quotient of their percentiles; the row is the median of the quotients
with its bootstrap interval, and the upper end of the interval is held to the limit.

A row that does not hold while other processes use the machine says so and is measured again. When
the machine stays busy the test is skipped with that reason: it has not failed, and it has not
passed (continuous integration counts a skipped test as a failure).
"""

from __future__ import annotations

import gc
import json
import math
import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from conftest import Ratios  # type: ignore[attr-defined]
from scipy import stats

Block = Callable[[], Sequence[float]]
"""Does its calls and returns the time of each, in one unit for both sides."""

CONFIDENCE = 0.95
BUSY = 0.10
"""A larger share of the processors used by other processes makes the machine busy."""
PAUSES_S = (5.0, 20.0, 60.0)
"""Waits before a row is measured again on a busy machine."""


class Compared(NamedTuple):
    """Ours over the reference: median quotient, its interval, and the medians of both sides."""

    ratio: float
    low: float
    high: float
    ours: float
    reference: float
    pairs: int
    others: float

    def __str__(self) -> str:
        return f"[{self.low:.3g}, {self.high:.3g}], {self.pairs} pairs of blocks"


def timed(
    call: Callable[[], object], calls: int, clock: Callable[[], float] = time.perf_counter
) -> Block:
    """A block of `calls` calls, each timed by `clock` (seconds)."""

    def block() -> list[float]:
        taken = []
        for _ in range(calls):
            start = clock()
            call()
            taken.append(clock() - start)
        return taken

    return block


def family_s() -> float:
    """Processor time of this process and of the children it has waited for, in seconds."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def percentile(values: Sequence[float], per_cent: float) -> float:
    """The smallest value that at least `per_cent` of the values do not exceed."""
    return sorted(values)[max(0, math.ceil(per_cent / 100 * len(values)) - 1)]


def interval(quotients: Sequence[float]) -> tuple[float, float]:
    """Bootstrap percentile interval of the median, the same for the same quotients."""
    found = stats.bootstrap(
        (np.asarray(quotients),), np.median, confidence_level=CONFIDENCE, method="percentile",
        n_resamples=2000, rng=np.random.default_rng(1),
    )  # fmt: skip
    return float(found.confidence_interval.low), float(found.confidence_interval.high)


class Measurement:
    """Pairs of blocks, and what others used of the processors meanwhile."""

    def __init__(self, ours: Block, reference: Block, per_cent: float) -> None:
        self._sides = (ours, reference)
        self._per_cent = per_cent
        self._found: list[tuple[float, float]] = []
        self._use = ProcessorUse()
        gc.collect()
        gc.freeze()  # what pytest itself holds is no part of a collection in the program's time

    def add(self, pairs: int) -> Compared:
        """Measure more pairs, the side that goes first changing from one to the next."""
        for _ in range(pairs):
            pair = [0.0, 0.0]
            for side in (0, 1) if len(self._found) % 2 else (1, 0):
                pair[side] = percentile(self._sides[side](), self._per_cent)
            self._found.append((pair[0], pair[1]))
        ours, reference = np.array(self._found).T
        quotients = ours / reference
        low, high = interval(quotients)
        return Compared(
            float(np.median(quotients)), low, high, float(np.median(ours)),
            float(np.median(reference)), len(self._found), self._use.others(),
        )  # fmt: skip


def hold_at_most(
    ratios: Ratios, what: str, limit: float, ours: Block, reference: Block, *,
    per_cent: float = 99, pairs: int = 8, most_pairs: int = 32, note: str = "",
    pauses_s: Sequence[float] = PAUSES_S,
) -> Compared:  # fmt: skip
    """Hold the upper end of ours over the reference to `limit`; more pairs while it is open.

    `note` may name `{ours}` and `{reference}`, the medians of the blocks' percentiles.
    """
    for pause_s in (*pauses_s, None):
        measurement = Measurement(ours, reference, per_cent)
        found = measurement.add(pairs)
        while found.low <= limit < found.high and found.pairs < most_pairs:
            found = measurement.add(pairs)
        if found.high <= limit or found.others <= BUSY:
            break
        said = f"not measured: others used {found.others:.0%} of the processors"
        ratios.note(what, f"{said} ({found.ratio:.3g} {found})")
        if pause_s is None:
            pytest.skip(f"{what}: {said}")
        time.sleep(pause_s)
    shown = note.format(ours=found.ours, reference=found.reference)
    ratios.at_most(what, found.high, limit, f"upper end of {found.ratio:.3g} {found} {shown}")
    return found


class ProcessorUse:
    """Share of all processors that processes other than ours use, since it was made."""

    def __init__(self) -> None:
        self._began = self._now()

    def others(self) -> float:
        """Between 0 and 1; what a hypervisor took for other machines counts as others'."""
        all_, used, own = (now - then for now, then in zip(self._now(), self._began, strict=True))
        return max(0.0, used - own) / max(all_, 1.0)

    @staticmethod
    def _now() -> tuple[float, float, float]:
        """Clock ticks of all processors, of them in use, and those of this process's family."""
        words = Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:9]
        user, nice, system, idle, wait, *rest = (int(word) for word in words)
        used = user + nice + system + sum(rest)
        return used + idle + wait, used, family_ticks()


def family_ticks() -> float:
    """Clock ticks used by this process, its descendants, and those of them that have ended."""
    parents: dict[int, int] = {}
    ticks: dict[int, int] = {}
    for entry in os.scandir("/proc"):
        if entry.name.isdigit():
            try:
                fields = Path(entry.path, "stat").read_text().rpartition(")")[2].split()
            except OSError:  # ended meanwhile
                continue
            pid = int(entry.name)
            parents[pid] = int(fields[1])
            ticks[pid] = sum(int(word) for word in fields[11:15])
    family = {os.getpid()}
    while more := {p for p, parent in parents.items() if parent in family} - family:
        family |= more
    return sum(ticks.get(pid, 0) for pid in family)


def reference_work() -> None:
    """A fixed amount of plain Python: what speeds are held against, on whichever machine.

    Never change it: published figures are multiples of its time.
    """
    rows = [{"n": n, "t_ns": n * 1_000_003, "value": n * 0.37 % 11.0} for n in range(4000)]
    text = "\n".join(json.dumps(row) for row in rows)
    read = [json.loads(line) for line in text.split("\n")]
    read.sort(key=lambda row: row["value"])
    total = 0.0
    for row in read:
        for _ in range(10):
            total = (total + row["value"] * row["n"]) % 1009.0
    assert read[0]["value"] <= read[-1]["value"] and total >= 0.0
