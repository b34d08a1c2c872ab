# SPDX-License-Identifier: MIT
"""Times to line off: a table from the injector's instants and the plant's log."""

from __future__ import annotations

import itertools
import math
import statistics
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

CIRCUITS = Path(__file__).parents[2] / "hardware/circuits"
sys.path.insert(0, str(CIRCUITS))

import claims  # noqa: E402

MS = 1_000_000
HOLD_MS = 1000 * next(
    claim.limit
    for claim in claims.CLAIMS
    if claim.group == "heartbeat" and claim.text.startswith("hold after") and not claim.at_least
)
"""The longest that the simulated heartbeat circuit holds the driver's supply after the last change
of its line: what its claim allows, and what every draw of its parts keeps (tests/circuits)."""
MARGIN_MAX = 0.8
"""So much of a budget the worst case of a full study may use."""
STALL_MS = 50
WAIT_MS = 60
"""A try that failed while the emulator stood still, or its processors waited for the host, for
longer than this in all is no evidence and is made again. One that held its budget all the same
counts, delay included."""


TURN_NS = 500.0
"""A turn of guest_bare's loop on an emulated processor for which the budgets hold as they stand.
A board's own processor is several times as fast (from memory: 150 to 300 ns on the slowest one of
64 bit); a slower emulation is given in proportion more time for what the program computes."""


class Try(NamedTuple):
    """One fault. `off_ms`: injection to the line's last fall, as the plant saw it; None if it was
    still high at the end. `beat_ms`: injection to the heartbeat's last rise. `unfit`: why the try
    is inconclusive, or empty. `stored` less `committed` below 0 would be lost records."""

    fault: str
    budget_ms: float | None
    off_ms: float | None
    beat_ms: float | None
    unfit: str
    committed: int
    stored: int
    facts: dict[str, Any]


def upper_bound(n: int) -> float:
    """95 % upper bound of the failure share after 0 failures in `n` tries: 1 - 0.05^(1/n), from
    (1 - p)^n = 0.05 (the exact binomial bound of Clopper and Pearson for no failures)."""
    return 1.0 - math.pow(0.05, 1.0 / n) if n else 1.0


def quantile(values: Iterable[float], share: float) -> float:
    """The smallest value that at least this share of the values does not exceed."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]


def judged(
    result: dict[str, Any], log: dict[str, Any], waited_ms: Callable[[int, int], float]
) -> Try:
    """Compare a result of guest_faults.py with the plant's log and the host's own account."""
    t0, t_end = result.get("t0_ns", 0), result.get("t_end_ns", 0)
    sent = [after for _, _, after in log["sent"] if t0 <= after <= t_end]
    if sent:  # a reading that should trip counts from its last byte
        t0 = sent[0]
    coil = [entry for entry in log["coil"] if entry[2] <= t_end]
    before = [entry for entry in coil if entry[2] <= t0]
    falls = [after for level, _, after in coil if not level and after > t0]
    off_ms = (falls[-1] - t0) / MS if falls and not coil[-1][0] else None
    unfit = result.get("unfit", "")
    if not unfit and not (before and before[-1][0]):
        unfit = "the coil was not on at the instant of the fault"
    # Checked against the unscaled budget: a try of a slow emulation is repeated as well.
    budget = result.get("budget_ms")
    late = result.get("covered", True) and budget and not (off_ms is not None and off_ms <= budget)
    if late and not unfit:
        until = falls[-1] if falls else t_end
        stood = [min(b, until) - max(a, t0) for a, b in log["stalls"] if b > t0 and a < until]
        waited = waited_ms(t0, until)
        if sum(stood) > STALL_MS * MS:
            unfit = f"the emulator stood still for {sum(stood) / MS:.0f} ms"
        elif waited > WAIT_MS:
            unfit = f"the emulated processors waited {waited:.0f} ms for the host"
    # Only a rise is a beat: a freed line falls to its pull by itself.
    beats = [after for level, _, after in log["heartbeat"] if level and t0 <= after <= t_end]
    beat_ms = (beats[-1] - t0) / MS if beats else 0.0
    return Try(
        result["fault"], budget, off_ms, beat_ms, unfit,
        result.get("committed", 0), result.get("stored", 0), result,
    )  # fmt: skip


def with_circuit_ms(one: Try) -> float:
    """From the fault to the driver without supply, with the simulated heartbeat circuit, whatever
    happens to the line. Infinite if nobody saw the heartbeat."""
    return math.inf if one.beat_ms is None else one.beat_ms + HOLD_MS


def slowness(one: Try) -> float:
    """How much slower than TURN_NS the emulated processor was just before this try, at least 1."""
    return max(1.0, one.facts.get("turn_ns", 0.0) / TURN_NS)


def allowed_ms(one: Try) -> float | None:
    """The budget of a try: its stated wait unscaled, the rest scaled by the processor's speed."""
    if one.budget_ms is None:
        return None
    waits_ms = one.facts.get("waits_ms", 0.0)
    return waits_ms + (one.budget_ms - waits_ms) * slowness(one)


def failures(tries: Sequence[Try]) -> list[str]:
    """Faults in the fit tries of faults that must end with the line low."""
    found = []
    for one in tries:
        if one.unfit or (allowed := allowed_ms(one)) is None:
            continue
        if one.off_ms is None:
            found.append(f"{one.fault}: the line stayed high: {one.facts}")
        elif not one.off_ms <= allowed:
            late = f"{one.off_ms:.0f} ms, budget {one.budget_ms:.0f}, allowed {allowed:.0f}"
            found.append(f"{one.fault}: {late}: {one.facts}")
        if one.stored < one.committed:
            found.append(f"{one.fault}: {one.committed - one.stored} committed records lost")
    return found


def margin(
    one_fault: Sequence[Try], allowed: Callable[[Try], float | None] = lambda one: one.budget_ms
) -> float | None:
    """Largest share of its budget used by a fit try of one fault; None if it has none, or if the
    line should stay high. `allowed`: the unscaled budget, or `allowed_ms`."""
    fit = [one for one in one_fault if not one.unfit and one.facts.get("covered", True)]
    used = [one.off_ms / ms for one in fit if one.off_ms is not None and (ms := allowed(one))]
    return max(used, default=None)


def made_from(root: Path) -> str:
    """Commit and date, for the head of a table: the program version it describes."""
    git = ["git", "-C", str(root)]
    try:
        commit = _words([*git, "rev-parse", "--short=12", "HEAD"])
        changed = " with changes" if _words([*git, "status", "--porcelain", "--", ":/rig"]) else ""
    except (OSError, subprocess.CalledProcessError):
        commit, changed = "unknown", ""
    return f"commit {commit}{changed}, {time.strftime('%Y-%m-%d', time.gmtime())}"


def _words(command: list[str]) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


def seconds_a_try(tries: Sequence[Try]) -> float:
    """Median from one fault to the next: starting the run, waiting, and ending it."""
    instants = [one.facts["t0_ns"] for one in tries if "run" in one.facts and "t0_ns" in one.facts]
    steps = [b - a for a, b in itertools.pairwise(instants)]
    return statistics.median(steps) / 1e9 if steps else math.nan


def speed(tries: Sequence[Try]) -> str:
    """How fast the emulated processors were, for the head of a table."""
    turns = [one.facts["turn_ns"] for one in tries if "turn_ns" in one.facts]
    if not turns:
        return "no speed measured"
    return (
        f"{statistics.median(turns):.0f} ns a turn of the reference loop, at most {max(turns):.0f} "
        f"(budgets hold as they stand up to {TURN_NS:.0f})"
    )


def table(tries: Sequence[Try]) -> str:
    """One row a fault, as published. The margin is the worst time over the budget."""
    by_fault: dict[str, list[Try]] = defaultdict(list)
    for one in tries:
        by_fault[one.fault].append(one)
    head = "| fault | tries | p50 ms | p99 ms | worst ms | budget ms | of it | records lost "
    lines = [head + "| failures |", "|---|---|---|---|---|---|---|---|---|"]
    for fault, all_tries in by_fault.items():
        fit = [one for one in all_tries if not one.unfit]
        times = [one.off_ms for one in fit if one.off_ms is not None]
        failed = len(failures(fit))
        result = f"0 in {len(fit)} (at most {100 * upper_bound(len(fit)):.1f} %)"
        if failed:
            result = f"{failed} in {len(fit)}"
        if fit and not fit[0].facts.get("covered", True):
            result = (
                f"stays on in {failed} of {len(fit)}; with the heartbeat circuit off within "
                f"{max(map(with_circuit_ms, fit)):.0f} ms"
            )
        elif fit and fit[0].budget_ms is None:
            result = "-"
        shown = [f"{quantile(times, q):.0f}" for q in (0.5, 0.99, 1.0)] if times else ["-"] * 3
        lost = sum(max(0, one.committed - one.stored) for one in fit)
        budget = fit[0].budget_ms if fit else None
        used = margin(all_tries)
        lines.append(
            f"| {fault} | {len(fit)} | {' | '.join(shown)} | "
            f"{'-' if budget is None else f'{budget:.0f}'} | "
            f"{'-' if used is None else f'{100 * used:.0f} %'} | {lost} | {result} |"
        )
    return "\n".join(lines)
