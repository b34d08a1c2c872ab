# SPDX-License-Identifier: MIT
"""When the desk's turn ends, on a clock that only moves while it waits."""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
import time
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest

from rig.core import messages
from rig.desk import wires
from rig.desk.signals import StopSignals
from rig.desk.wires import Wires


@pytest.fixture
def silent(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Wires, SimpleNamespace]]:
    """Wires to a bench that says nothing, and the clock."""
    clock = SimpleNamespace(now=1000.0)
    clock.monotonic = lambda: clock.now

    def select(*words: Any) -> tuple[list[int], list[int], list[int]]:
        clock.now += words[3]
        return [], [], []

    monkeypatch.setattr(wires, "time", clock)
    monkeypatch.setattr(wires, "select", SimpleNamespace(select=select))
    desk, bench = socket.socketpair()
    reader, writer = os.pipe()
    signals = StopSignals()
    made = Wires(SimpleNamespace(desk=desk, status=reader), signals, lambda _: None)  # type: ignore[arg-type]
    yield made, clock
    for end in (desk, bench, signals._reader, signals._writer):
        end.close()
    os.close(reader)
    os.close(writer)


@pytest.mark.parametrize("phase_s", [0.0, 0.01, 0.05, 0.09])
def test_the_guards_silence_does_not_wait_for_the_next_beat(
    silent: tuple[Wires, SimpleNamespace], phase_s: float
) -> None:
    made, clock = silent
    made.turn()
    made.heard = clock.now - phase_s
    turns = 0
    while not clock.now - made.heard > 0.5:
        made.turn(0.5)
        turns += 1
    assert clock.now - made.heard <= 0.502
    assert turns <= 7


def test_without_a_guard_it_waits_for_the_beat(silent: tuple[Wires, SimpleNamespace]) -> None:
    made, clock = silent
    made.turn()
    began, made.heard = clock.now, clock.now - 0.45
    made.turn()
    assert clock.now - began == pytest.approx(0.1)


def test_after_a_standstill_of_the_desk_what_has_arrived_counts(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An interrupted select whose time is used up returns nothing, whatever is there (PEP 475)."""
    really, calls = select.select, []

    def interrupted(*words: Any) -> Any:
        calls.append(words)
        return ([], [], []) if len(calls) == 1 else really(*words)

    monkeypatch.setattr(wires, "select", SimpleNamespace(select=interrupted))
    desk, bench = socket.socketpair()
    reader, writer = os.pipe()
    with StopSignals() as signals, desk, bench:
        made = Wires(SimpleNamespace(desk=desk, status=reader), signals, lambda _: None)  # type: ignore[arg-type]
        bench.send(messages.tell("state", state="armed").encode() + b"\n")
        made.heard -= 3.0
        before = made.heard
        made.turn(0.5)
        assert made.heard > before and [told["tell"] for told in made.take_told()] == ["state"]
    os.close(reader)
    os.close(writer)


@pytest.fixture
def ends() -> Iterator[tuple[Wires, socket.socket, int, list[bytes]]]:
    """Wires, the ends of the bench and of the recorder, and the records that came."""
    desk, bench = socket.socketpair()
    desk.setblocking(False)
    reader, writer = os.pipe()
    records: list[bytes] = []
    with StopSignals() as signals, desk, bench:
        made = Wires(SimpleNamespace(desk=desk, status=reader), signals, records.append)  # type: ignore[arg-type]
        yield made, bench, writer, records
    os.close(reader)
    with contextlib.suppress(OSError):  # a test closed it
        os.close(writer)


def test_records_and_tellings_come_whole_however_they_were_cut(
    ends: tuple[Wires, socket.socket, int, list[bytes]],
) -> None:
    made, bench, _, records = ends
    sent = b'["L","switch",1,5]\n' + messages.tell("state", state="armed").encode() + b"\n"
    for at in range(0, len(sent), 7):
        bench.send(sent[at : at + 7])
        made._read_bench()
    assert records == [b'["L","switch",1,5]']
    assert [told["state"] for told in made.take_told()] == ["armed"] and made.take_told() == []


def test_nothing_there_is_no_end(ends: tuple[Wires, socket.socket, int, list[bytes]]) -> None:
    made = ends[0]
    made._read_bench()
    assert not made.bench_gone


def test_a_bench_that_left_orders_unread_is_gone(
    ends: tuple[Wires, socket.socket, int, list[bytes]],
) -> None:
    """The kernel answers the next read with a connection reset (unix(7))."""
    made, bench, _, _ = ends
    made.order("stop", "unread")
    bench.close()
    made.turn()
    assert made.bench_gone
    made.order("stop", "to nobody")  # no error: its absence shows on reading
    made.turn()


def test_the_recorders_reports_are_kept_and_its_end_is_seen(
    ends: tuple[Wires, socket.socket, int, list[bytes]],
) -> None:
    made, _, recorder, _ = ends
    os.write(recorder, b'\n{"lag_s": 1.5, "free_mb": 90}\n{"do')
    made.turn()
    os.write(recorder, b'ne": true}\n')
    made.turn()
    assert made.recorder_told == [{"lag_s": 1.5, "free_mb": 90}, {"done": True}]
    assert made._recorder_now(0.0) == {"lag_s": 1.5, "free_mb": 90}
    os.close(recorder)
    made.turn()
    assert not made.recorder_open


def test_the_bench_is_told_how_long_the_recorder_has_been_silent(
    ends: tuple[Wires, socket.socket, int, list[bytes]],
) -> None:
    """From the first record that waits for a report, however many follow it; not after a report."""
    made, bench, writer, _ = ends

    def told_lag_s(now: float) -> float:
        made.beat(now)
        return float(json.loads(bench.recv(1 << 16).splitlines()[-1])["lag_s"])

    began = time.monotonic()
    assert told_lag_s(began + 9.0) == 0.0, "nothing waits"
    for record in (b'["command"]\n', b'["edge"]\n'):
        bench.send(record)
        made.turn()
        time.sleep(0.5)
    assert 8.6 < told_lag_s(began + 9.0) <= 9.0
    os.write(writer, b'{"lag_s": 0.25}\n')
    made.turn()
    assert told_lag_s(began + 9.0) == 0.25
