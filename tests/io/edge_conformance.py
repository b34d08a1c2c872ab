# SPDX-License-Identifier: MIT
"""What every EdgeSource must do, as plain functions: no pytest, no fixtures.

Run on a simulated source, on a stand-in for the kernel, and on the kernel's own GPIO simulator.
Each check takes a `Bench` with a freshly opened source on lines that are all low.
"""

from __future__ import annotations

import select
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass

from rig.core.errors import HardwareError
from rig.core.ports import EdgeSource
from rig.core.records import Edge

TIMEOUT_S = 5.0


@dataclass
class Bench:
    """A source under test. `drive(line, level)` puts an electrical level on a line from outside
    and returns (before_ns, after_ns), the span of the source's clock in which it changed."""

    source: EdgeSource
    drive: Callable[[str, int], tuple[int, int]]
    stamp_tolerance_ns: int = 5_000_000
    """How far outside that span a stamp may lie (a simulated kernel defers its interrupt)."""


Factory = Callable[[], AbstractContextManager[Bench]]


def collect(source: EdgeSource, n: int) -> list[Edge]:
    """Wait for `n` edges, then look once more for any that should not be there."""
    edges: list[Edge] = []
    until = time.monotonic() + TIMEOUT_S
    while len(edges) < n and time.monotonic() < until:
        edges += source.read()
        time.sleep(0.0005)
    edges += source.read()
    return edges


def lines_are_named_and_start_low(bench: Bench) -> None:
    assert len(bench.source.lines) >= 1
    for line in bench.source.lines:
        assert bench.source.level(line) == 0


def idle_source_gives_nothing_and_does_not_block(bench: Bench) -> None:
    for _ in range(3):
        assert list(bench.source.read()) == []


def level_follows_the_line_and_keeps_the_edges(bench: Bench) -> None:
    for line in bench.source.lines:
        bench.drive(line, 1)
        assert bench.source.level(line) == 1
        bench.drive(line, 0)
        assert bench.source.level(line) == 0
    edges = collect(bench.source, 2 * len(bench.source.lines))
    assert len(edges) == 2 * len(bench.source.lines)


def every_change_is_one_edge(bench: Bench) -> None:
    for line in bench.source.lines:
        for level in (1, 0, 1, 0):
            bench.drive(line, level)
            edges = collect(bench.source, 1)
            assert [(edge.line, edge.level) for edge in edges] == [(line, level)]
        bench.drive(line, 0)  # no change
        assert list(bench.source.read()) == []


def sequence_counts_each_line_from_one(bench: Bench) -> None:
    for n in range(1, 6):
        for line in bench.source.lines:
            bench.drive(line, n % 2)
            edges = collect(bench.source, 1)
            assert [(edge.line, edge.sequence) for edge in edges] == [(line, n)]


def stamp_is_the_instant_of_the_change(bench: Bench) -> None:
    slack_ns = bench.stamp_tolerance_ns
    for line in bench.source.lines:
        for level in (1, 0):
            before_ns, after_ns = bench.drive(line, level)
            time.sleep(0.002)  # a stamp taken when it is read would be late
            (edge,) = collect(bench.source, 1)
            assert type(edge.t_ns) is int
            assert before_ns <= edge.t_ns <= after_ns + slack_ns


def stamp_does_not_depend_on_when_it_is_read(bench: Bench) -> None:
    line = bench.source.lines[0]
    before_ns, after_ns = bench.drive(line, 1)
    time.sleep(0.05)
    (edge,) = collect(bench.source, 1)
    assert before_ns <= edge.t_ns <= after_ns + min(bench.stamp_tolerance_ns, 20_000_000)


def edges_come_oldest_first_over_all_lines(bench: Bench) -> None:
    wanted = []
    for level in (1, 0, 1, 0):
        for line in bench.source.lines:
            bench.drive(line, level)
            wanted.append((line, level))
            time.sleep(0.002)
    edges = collect(bench.source, len(wanted))
    assert [(edge.line, edge.level) for edge in edges] == wanted
    assert [edge.t_ns for edge in edges] == sorted(edge.t_ns for edge in edges)


def a_burst_waits_until_it_is_read(bench: Bench) -> None:
    """Sixty edges unread: the kernel's default buffer of 16 would have dropped some."""
    line = bench.source.lines[0]
    for n in range(60):
        bench.drive(line, (n + 1) % 2)
        time.sleep(0.001)
    edges = collect(bench.source, 60)
    assert [edge.sequence for edge in edges] == list(range(1, 61))
    assert [edge.level for edge in edges] == [1, 0] * 30


def descriptor_is_readable_exactly_while_edges_wait(bench: Bench) -> None:
    fd = bench.source.fileno()
    if fd is None:  # virtual time has none
        return
    assert select.select([fd], [], [], 0)[0] == []
    bench.drive(bench.source.lines[0], 1)
    assert select.select([fd], [], [], TIMEOUT_S)[0] == [fd]
    collect(bench.source, 1)
    assert select.select([fd], [], [], 0)[0] == []


def closing_twice_is_fine_and_then_nothing_is_read(bench: Bench) -> None:
    bench.source.close()
    bench.source.close()
    assert bench.source.fileno() is None
    for call in (lambda: bench.source.level(bench.source.lines[0]), bench.source.read):
        try:
            call()
        except HardwareError as error:
            assert str(error)
        else:
            raise AssertionError("a closed source still answers")


CHECKS: tuple[Callable[[Bench], None], ...] = (
    lines_are_named_and_start_low,
    idle_source_gives_nothing_and_does_not_block,
    level_follows_the_line_and_keeps_the_edges,
    every_change_is_one_edge,
    sequence_counts_each_line_from_one,
    stamp_is_the_instant_of_the_change,
    stamp_does_not_depend_on_when_it_is_read,
    edges_come_oldest_first_over_all_lines,
    a_burst_waits_until_it_is_read,
    descriptor_is_readable_exactly_while_edges_wait,
    closing_twice_is_fine_and_then_nothing_is_read,
)


def run_all(factory: Factory) -> Iterator[tuple[str, str]]:
    """Run every check on a fresh bench; yields (name, "" or what failed)."""
    for check in CHECKS:
        try:
            with factory() as bench:
                check(bench)
        except Exception as error:
            yield check.__name__, f"{type(error).__name__}: {error}"
        else:
            yield check.__name__, ""
