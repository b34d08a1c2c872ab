# SPDX-License-Identifier: MIT
"""The measuring of rows: what holds, what fails, and what a busy machine leaves open."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from blocks import Block, ProcessorUse, family_ticks, hold_at_most, interval, percentile
from conftest import Ratios  # type: ignore[attr-defined]

NO_PAUSE = (0.0, 0.0)


class Notes(Ratios):
    """Rows of these tests stay out of the published table."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def note(self, what: str, shown: str) -> None:
        self.said.append(shown)

    def _hold(self, what, value, limit, sense, note, held) -> None:  # type: ignore[no-untyped-def]
        assert held, f"{what}: {value:.3g}, {sense} {limit:g}"


def steady(middle: float, seed: int) -> Block:
    """Blocks of 100 times, spread by 5 %."""
    rng = np.random.default_rng(seed)
    return lambda: list(rng.normal(middle, 0.05 * middle, 100))


def others(monkeypatch: pytest.MonkeyPatch, *shares: float) -> None:
    """What the machine's other processes use: one share a question, the last one stays."""
    left = list(shares)
    monkeypatch.setattr(ProcessorUse, "others", lambda _: left.pop(0) if len(left) > 1 else left[0])


def test_a_quotient_below_the_limit_holds_on_a_busy_machine(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    others(monkeypatch, 0.9)
    found = hold_at_most(Notes(), "row", 1.5, steady(1.2, 1), steady(1.0, 2), pauses_s=NO_PAUSE)
    assert found.low <= found.ratio <= found.high <= 1.5
    assert 1.1 < found.ratio < 1.3


def test_a_quotient_over_the_limit_fails_on_an_idle_machine(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    others(monkeypatch, 0.0)
    with pytest.raises(AssertionError, match="at most"):
        hold_at_most(Notes(), "row", 1.5, steady(1.7, 1), steady(1.0, 2), pauses_s=NO_PAUSE)


def test_the_upper_end_is_held_and_not_the_middle(monkeypatch: pytest.MonkeyPatch) -> None:
    """Quotients of 1 and of 3 in turn: the median may be below the limit, its interval not."""
    others(monkeypatch, 0.0)
    turn = iter([1.0, 1.0, 3.0] * 100)
    with pytest.raises(AssertionError, match="at most"):
        hold_at_most(
            Notes(), "row", 1.5, lambda: [next(turn)], lambda: [1.0], pairs=4, most_pairs=4,
            pauses_s=NO_PAUSE,
        )  # fmt: skip


def test_a_busy_machine_is_measured_again_and_then_left_open(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    others(monkeypatch, 0.5)
    notes = Notes()
    with pytest.raises(pytest.skip.Exception, match="others used 50% of the processors"):
        hold_at_most(notes, "row", 1.5, steady(1.7, 1), steady(1.0, 2), pauses_s=NO_PAUSE)
    assert len(notes.said) == len(NO_PAUSE) + 1
    assert all(said.startswith("not measured") for said in notes.said)


def test_a_failure_that_a_busy_machine_hid_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    others(monkeypatch, 0.5, 0.0)
    with pytest.raises(AssertionError, match="at most"):
        hold_at_most(Notes(), "row", 1.5, steady(1.7, 1), steady(1.0, 2), pauses_s=NO_PAUSE)


def test_a_slow_spell_strikes_both_sides(monkeypatch: pytest.MonkeyPatch) -> None:
    """The machine gets five times slower half way: quotients of pairs do not move."""
    others(monkeypatch, 0.0)
    calls = [0]

    def slowed(block: Block) -> Block:
        def wrapped() -> list[float]:
            calls[0] += 1
            return [value * (5.0 if calls[0] > 8 else 1.0) for value in block()]

        return wrapped

    ours, reference = slowed(steady(1.2, 1)), slowed(steady(1.0, 2))
    found = hold_at_most(Notes(), "row", 1.5, ours, reference, pauses_s=NO_PAUSE)
    assert found.high < 1.4


@pytest.mark.parametrize("per_cent", [50, 95, 99, 100])
def test_the_percentile_is_numpys_inverted_cdf(per_cent: float) -> None:
    values = list(np.random.default_rng(3).normal(size=137))
    assert percentile(values, per_cent) == np.percentile(values, per_cent, method="inverted_cdf")


def test_the_interval_holds_the_median_as_often_as_it_says() -> None:
    """Of 300 medians of 15 quotients with a known median, nearly 95 % lie inside (3 sigma)."""
    rng = np.random.default_rng(4)
    inside = 0
    for _ in range(300):
        quotients = list(np.exp(rng.normal(0.0, 0.1, 15)))
        low, high = interval(quotients)
        assert low <= statistics.median(quotients) <= high
        inside += low <= 1.0 <= high
    assert inside / 300 > 0.95 - 3 * (0.95 * 0.05 / 300) ** 0.5


BURN = "import time\nwhile time.process_time() < 0.4: pass"
LEAVE = "import os, sys\nif os.fork(): os._exit(0)\n"
TICKS_BURNT = 0.3 * os.sysconf("SC_CLK_TCK")


def test_processor_time_of_a_child_is_ours() -> None:
    before = family_ticks()
    subprocess.run([sys.executable, "-c", BURN], check=True)
    assert family_ticks() - before >= TICKS_BURNT


def test_processor_time_of_a_process_that_left_us_is_others() -> None:
    burnt = Path(os.environ["RIG_DATA"]) / "burnt"
    before = family_ticks()
    ended = "\nopen(sys.argv[1], 'w').close()"
    subprocess.run([sys.executable, "-c", LEAVE + BURN + ended, str(burnt)], check=True)
    while not burnt.exists():
        time.sleep(0.02)
    assert family_ticks() - before < TICKS_BURNT
