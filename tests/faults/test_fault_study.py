# SPDX-License-Identifier: MIT
"""The arithmetic of the study's table, on tries made up by hand."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from fault_study import (
    HOLD_MS,
    TURN_NS,
    Try,
    allowed_ms,
    failures,
    made_from,
    margin,
    seconds_a_try,
    table,
    with_circuit_ms,
)
from kept_tries import KeptTries, program

S = 1_000_000_000


def a_try(off_ms: float | None, *, unfit: str = "", **facts: object) -> Try:
    return Try("bench hit", 250.0, off_ms, 20.0, unfit, 5, 5, facts)


def test_the_margin_is_the_worst_fit_time_over_the_budget() -> None:
    tries = [a_try(50.0), a_try(200.0), a_try(240.0, unfit="the emulator stood still")]
    assert margin(tries) == pytest.approx(0.8)
    assert "| 250 | 80 % | 0 | 0 in 2" in table(tries)


def test_a_slow_emulation_is_given_more_time_for_what_is_computed_only() -> None:
    slow = a_try(400.0, turn_ns=2 * TURN_NS, waits_ms=100.0)
    assert allowed_ms(slow) == pytest.approx(100 + 2 * 150) and not failures([slow])
    assert margin([slow]) == pytest.approx(1.6)  # what is published is held to the budget itself
    assert margin([slow], allowed_ms) == pytest.approx(1.0)
    assert failures([a_try(401.0, turn_ns=2 * TURN_NS, waits_ms=100.0)])
    assert failures([a_try(251.0, turn_ns=0.1 * TURN_NS)])
    assert failures([a_try(251.0, turn_ns=TURN_NS)])


@pytest.mark.parametrize("tries", [[], [a_try(None)], [a_try(90.0, covered=False)]])
def test_no_margin_where_nothing_went_low_or_was_to(tries: list[Try]) -> None:
    assert margin(tries) is None


def test_what_only_the_heartbeat_covers_counts_to_the_end_of_its_hold_time() -> None:
    held = a_try(None, covered=False)
    assert with_circuit_ms(held) == 20.0 + HOLD_MS == 520.0
    assert "with the heartbeat circuit off within 520 ms" in table([held])
    assert with_circuit_ms(held._replace(beat_ms=None)) == math.inf, "nobody saw it stop"


def test_seconds_a_try_leave_the_bare_loop_out() -> None:
    bare = [a_try(1.0, t0_ns=n * S // 10) for n in range(50)]
    runs = [a_try(1.0, t0_ns=(10 + 4 * n) * S, run=n) for n in range(5)]
    assert seconds_a_try(bare + runs) == pytest.approx(4.0)
    assert math.isnan(seconds_a_try(bare))


def test_the_table_says_what_it_was_made_from(tmp_path: Path) -> None:
    assert made_from(tmp_path).startswith("commit unknown, 20")
    words = made_from(Path(__file__).parent).split()
    assert words[0] == "commit" and len(words[1].strip(",")) >= 7


def test_a_stopped_study_goes_on_with_what_the_same_program_made(tmp_path: Path) -> None:
    path = tmp_path / "kept.jsonl"
    wanted = [{"fault": "bench hit"}] * 3 + [{"fault": "desk hit"}]
    first = KeptTries(path, "without", "commit a", "source 1")
    first.add([a_try(50.0), a_try(60.0, unfit="the emulator stood still")])
    again = KeptTries(path, "without", "commit b", "source 1")
    assert again.tries == first.tries and again.sources == {"commit a": 2}
    assert again.lacking(wanted) == wanted[1:], "an unfit try is made again"
    again.add([a_try(70.0)])
    assert KeptTries(path, "without", "commit c", "source 1").sources == {
        "commit a": 2,
        "commit b": 1,
    }
    for loop, source in (("with", "source 1"), ("without", "source 2")):
        assert not KeptTries(path, loop, "commit c", source).tries


def test_the_program_is_what_its_files_hold(tmp_path: Path) -> None:
    file = tmp_path / "rig/bench/one.py"
    file.parent.mkdir(parents=True)
    (tmp_path / "rig/compose.py").touch()
    file.write_text("a = 1")
    before = program(tmp_path)
    file.write_text("a = 2")
    assert program(tmp_path) != before and len(program()) == 16
