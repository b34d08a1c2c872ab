# SPDX-License-Identifier: MIT
"""KernelEdges on a stand-in for gpiod; tests/kernel runs the same checks on a real kernel."""

import errno
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import edge_conformance
import fake_gpiod
import gpiod
import pytest
from edge_conformance import Bench

from rig.core.errors import HardwareError
from rig.core.records import READBACK, SWITCH, Edge
from rig.io.edges import EVENT_BUFFER, KernelEdges

LINES = {SWITCH: (22, "up"), READBACK: (27, "external")}


@pytest.fixture
def edges(kernel: fake_gpiod.FakeKernel, path: str) -> Iterator[KernelEdges]:
    source = KernelEdges(path, LINES)
    yield source
    source.close()
    assert kernel.open_requests == []


@pytest.mark.parametrize("check", edge_conformance.CHECKS, ids=lambda check: check.__name__)
def test_conforms(check: Callable[[Bench], None], kernel: fake_gpiod.FakeKernel, path: str) -> None:
    @contextmanager
    def factory() -> Iterator[Bench]:
        source = KernelEdges(path, LINES)
        yield Bench(source, lambda line, level: kernel.drive(path, LINES[line][0], level))
        source.close()

    with factory() as bench:
        check(bench)


def test_one_request_for_all_lines_with_what_the_measurement_needs(
    edges: KernelEdges, kernel: fake_gpiod.FakeKernel, path: str
) -> None:
    (request,) = kernel.open_requests
    assert request.size == EVENT_BUFFER == 1024
    for settings in request.config.values():
        assert settings.direction is gpiod.line.Direction.INPUT
        assert settings.edge_detection is gpiod.line.Edge.BOTH
        assert settings.event_clock is gpiod.line.Clock.MONOTONIC
        assert not settings.debounce_period
        assert not settings.active_low
    assert request.config[22].bias is gpiod.line.Bias.PULL_UP
    assert request.config[27].bias is gpiod.line.Bias.DISABLED


def test_pull_down(kernel: fake_gpiod.FakeKernel, path: str) -> None:
    source = KernelEdges(path, {SWITCH: (22, "down")})
    assert kernel.open_requests[0].config[22].bias is gpiod.line.Bias.PULL_DOWN
    source.close()


def test_stamp_and_sequence_are_the_kernels(
    edges: KernelEdges, kernel: fake_gpiod.FakeKernel, path: str
) -> None:
    kernel.drive(path, 22, 1)
    (event,) = kernel.open_requests[0].events
    assert edges.read() == [Edge(SWITCH, 1, event.timestamp_ns, event.line_seqno, "kernel")]


def test_an_overflow_shows_as_a_sequence_gap(
    edges: KernelEdges, kernel: fake_gpiod.FakeKernel, path: str
) -> None:
    for n in range(EVENT_BUFFER + 10):
        kernel.drive(path, 22, (n + 1) % 2)
    got: list[Edge] = []
    while batch := edges.read():
        got += batch
    assert len(got) == EVENT_BUFFER
    assert got[0].sequence == 11


def test_reading_a_storm_ends(edges: KernelEdges, kernel: fake_gpiod.FakeKernel, path: str) -> None:
    request = kernel.open_requests[0]
    for n in range(400):
        kernel.drive(path, 22, (n + 1) % 2)
    real = request.read_edge_events

    def never_empty() -> list[gpiod.EdgeEvent]:
        batch: list[gpiod.EdgeEvent] = real()
        for _ in batch:
            kernel.drive(path, 22, 1 - kernel.line(path, 22).level)
        return batch

    request.read_edge_events = never_empty
    assert 0 < len(edges.read()) < 2000


@pytest.mark.parametrize("call", ["read", "level"])
def test_a_lost_request_is_told_and_stays_lost(
    call: str, edges: KernelEdges, kernel: fake_gpiod.FakeKernel
) -> None:
    kernel.gone = True
    for _ in range(2):
        with pytest.raises(HardwareError, match=r"lost .*No such device.*driver unloaded"):
            edges.read() if call == "read" else edges.level(SWITCH)
    assert edges.fileno() is None


def test_edges_that_arrived_before_the_loss_are_kept(
    edges: KernelEdges, kernel: fake_gpiod.FakeKernel, path: str
) -> None:
    for n in range(100):
        kernel.drive(path, 22, (n + 1) % 2)
    request = kernel.open_requests[0]
    real = request.read_edge_events

    def once() -> list[gpiod.EdgeEvent]:
        batch: list[gpiod.EdgeEvent] = real()
        kernel.gone = True
        return batch

    request.read_edge_events = once
    assert len(edges.read()) == 64
    with pytest.raises(HardwareError, match="lost"):
        edges.read()


@pytest.mark.parametrize("offset_ns", [-5_000_000_000, 1_700_000_000_000_000_000])
def test_stamps_of_another_clock_are_refused(
    offset_ns: int, edges: KernelEdges, kernel: fake_gpiod.FakeKernel, path: str
) -> None:
    kernel.stamp_offset_ns = offset_ns
    kernel.drive(path, 22, 1)
    with pytest.raises(HardwareError, match="another clock"):
        edges.read()
    assert edges.fileno() is None


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EACCES, "no permission.*group gpio"),
        (errno.ENXIO, "cannot report edges"),
        (errno.EINVAL, "Check the line numbers in the setup"),
        (errno.ENODEV, "the chip is gone"),
        (errno.EIO, "refused by the kernel"),
    ],
)
def test_a_refused_request_says_what_to_do(
    number: int, words: str, kernel: fake_gpiod.FakeKernel, path: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    def refuse(*_: object, **__: object) -> None:
        raise OSError(number, "the kernel says no")

    monkeypatch.setattr(kernel, "request_lines", refuse)
    with pytest.raises(HardwareError, match=words):
        KernelEdges(path, LINES)


def test_a_busy_line_names_its_owner(kernel: fake_gpiod.FakeKernel, path: str) -> None:
    kernel.line(path, 27).consumer = "spi0 CS1"
    with pytest.raises(HardwareError) as caught:
        KernelEdges(path, LINES)
    assert 'line 27 by "spi0 CS1"' in str(caught.value)
    assert "line 22 by" not in str(caught.value)


def test_a_line_the_chip_does_not_have(kernel: fake_gpiod.FakeKernel, path: str) -> None:
    with pytest.raises(HardwareError, match=r"line offset of out range.*gpioinfo"):
        KernelEdges(path, {SWITCH: (99, "up")})
