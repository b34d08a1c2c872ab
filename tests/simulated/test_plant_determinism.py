# SPDX-License-Identifier: MIT
"""Same seed and commands, same edges and bytes, however time is sliced and wherever it starts."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from setups import merged
from simulated_rigs import MS, NS, Seen, collect, go, plant, run

CASES = {
    "healthy": {},
    "air": {"medium": "air"},
    "chattering": {"simulated": {"fault": "switch chattering"}},
    "surge": {"simulated": {"fault": "oil pressure surge", "fault_after": "1 s"}},
    "sticking": {"simulated": {"fault": "sticking spool"}},
    "gulps and varnish": {"simulated": {"fault": ["low oil level", "dirty oil:0.5"]}},
    "chafed wire": {"simulated": {"fault": ["switch wire intermittent", "relay dead:0.3"]}},
    "stuck at times": {"simulated": {"fault": ["switch stuck open:0.4", "spool stuck on:0.2"]}},
    "fast gauge": {"gauge": {"period": "5 ms", "baud": 115200}},
}


def commands(source, seen, advance):  # type: ignore[no-untyped-def]
    """Strokes, a tap too short for the relay, and a hand on the supply at the end."""
    t = 700 * MS
    for on_ms, rest_ms in ((400, 300), (3, 100), (25, 40), (60, 200), (500, 500)):
        advance(source, seen, t)
        source.set_relay(True, t)
        t += on_ms * MS
        advance(source, seen, t)
        source.set_relay(False, t)
        t += rest_ms * MS
    advance(source, seen, t)
    source.hand("raise")
    t += 3 * NS
    advance(source, seen, t)
    source.hand("lower")
    advance(source, seen, t + NS)


def in_jumps(source, seen, until_ns):  # type: ignore[no-untyped-def]
    source.advance(until_ns)
    collect(source, seen)


def in_slices(source, seen, until_ns):  # type: ignore[no-untyped-def]
    t = source._now_ns
    while t < until_ns:
        t = min(t + MS // 10, until_ns)
        source.advance(t)
        collect(source, seen)


def at_random(seed):  # type: ignore[no-untyped-def]
    rng = random.Random(seed)

    def advance(source, seen, until_ns):  # type: ignore[no-untyped-def]
        t = source._now_ns
        while t < until_ns:
            t = min(t + rng.choice((1, 997, 40_009, 3 * MS, 77 * MS)), until_ns)
            if rng.random() < 0.5:
                source.advance(t)
            else:
                t = source.run_until(t)
            source.next_event_ns()
            if rng.random() < 0.3:
                collect(source, seen)
        collect(source, seen)

    return advance


@pytest.mark.parametrize("case", CASES)
def test_slicing_changes_nothing(case: str) -> None:
    results = []
    for advance in (in_jumps, in_slices, go, at_random(1)):
        source, seen = plant(**CASES[case]), Seen()
        commands(source, seen, advance)
        truth = {kind: source.truth.times_ns(kind) for kind in source.truth.kinds}
        results.append((sorted(seen.edges, key=lambda e: e[2]), seen.lines, truth))
    assert results[0][0]
    for other in results[1:]:
        assert other == results[0]


@settings(max_examples=15)
@given(st.integers(0, 2**32), st.sampled_from(sorted(CASES)))
def test_slicing_at_random_changes_nothing(seed: int, case: str) -> None:
    one, other = Seen(), Seen()
    commands(plant(**CASES[case]), one, in_jumps)
    commands(plant(**CASES[case]), other, at_random(seed))
    assert sorted(one.edges, key=lambda e: e[2]) == sorted(other.edges, key=lambda e: e[2])
    assert one.lines == other.lines


def test_same_seed_same_everything_another_seed_another() -> None:
    _, one, _ = run(4)
    _, two, _ = run(4)
    _, other, _ = run(4, simulated={"seed": 2})
    assert one == two
    assert one.edges != other.edges
    assert one.lines != other.lines


def test_the_callers_seed_goes_before_the_setups() -> None:
    three, by_caller = Seen(), Seen()
    commands(plant(simulated={"seed": 3}), three, in_jumps)
    commands(plant(seed=3), by_caller, in_jumps)
    assert three == by_caller


@pytest.mark.parametrize("start_ns", [123_456_789, 10**15 + 1])
def test_where_the_clock_starts_does_not_matter(start_ns: int) -> None:
    _, at_zero, _ = run(3)
    _, shifted, _ = run(3, start_ns=start_ns)
    assert [(line, level, t - start_ns) for line, level, t in shifted.edges] == at_zero.edges
    assert [(t - start_ns, data) for t, data in shifted.lines] == at_zero.lines


def test_parts_do_not_share_their_scatter() -> None:
    """Another gauge must not move an edge, another switch must not move a reading."""
    _, usual, _ = run(4)
    _, quick, _ = run(4, gauge={"period": "20 ms", "baud": 115200})
    _, without, _ = run(4, gauge=None, limits={"pressure": None})
    assert usual.edges == quick.edges == without.edges
    _, bouncy, _ = run(4, simulated={"switch": {"bounces_max": 9}})
    assert bouncy.lines == usual.lines
    assert bouncy.edges != usual.edges


def test_merged_lays_tables_over_one_another() -> None:
    assert merged({"a": {"b": 1, "c": 2}, "d": 3}, {"a": {"b": 5}, "d": None}) == {
        "a": {"b": 5, "c": 2}
    }
