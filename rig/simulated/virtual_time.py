# SPDX-License-Identifier: MIT
"""Time for a simulated rig: virtual time that jumps to the next event, or real time with a thread
that keeps the plant in step with the kernel's clock."""

from __future__ import annotations

import contextlib
import os
import select
import threading
from collections import deque
from collections.abc import Callable, Sequence

from rig.core.clock import MonotonicClock, VirtualClock
from rig.io.gauges.links import MemoryLink
from rig.io.real_time import RealWorld
from rig.simulated.edges import SimulatedEdges
from rig.simulated.gauge.peer import Line
from rig.simulated.plant import Plant

UNPLUGGED = "the simulated gauge was unplugged"


WAKE_NS = 200_000
"""Delay from an edge until a waiting process runs again, as on a small board; further edges until
then are read together."""


class VirtualWorld:
    """World in one thread: waiting advances the plant to its next visible event, or to the end of
    the wait, whichever is first."""

    def __init__(
        self, plant: Plant, clock: VirtualClock, edges: SimulatedEdges, link: MemoryLink | None
    ) -> None:
        self._plant, self._clock, self._edges, self._link = plant, clock, edges, link
        self.instruction = "hold"
        if link is not None:
            link.sent = lambda data: plant.ask_gauge(data, clock.now_ns())

    def now_ns(self) -> int:
        return self._clock.now_ns()

    def wait(self, until_ns: int, ready: Sequence[int]) -> None:  # noqa: ARG002 - the port's form
        plant = self._plant
        if plant.still_until(until_ns):  # most waits of the loop: nothing happened, nothing to take
            self._clock.advance_to(until_ns)
            return
        seen_ns = plant.run_until(until_ns)
        edges = plant.take_edges()
        if edges:
            seen_ns = min(seen_ns + WAKE_NS, max(until_ns, seen_ns))
            plant.advance(seen_ns)
            edges += plant.take_edges()
        self._clock.advance_to(seen_ns)
        if edges:
            self._edges.arrive(edges)
        link = self._link
        if link is not None:
            for t_ns, data in plant.take_bytes():
                link.feed(t_ns, data)
            if plant.gauge_unplugged:
                link.lose(self._clock.now_ns(), UNPLUGGED)

    def guide(self, instruction: str) -> None:
        self.instruction = instruction
        self._plant.advance(self._clock.now_ns())
        self._plant.hand(instruction)

    def relay_changed(self, on: bool) -> None:
        """The relay's line has changed."""
        self._plant.set_relay(on, self._clock.now_ns())

    def heartbeat_changed(self) -> None:
        """The heartbeat's line has changed."""
        self._plant.heartbeat_changed(self._clock.now_ns())


BATCH_NS = 1_000_000
"""Bytes of a fast wire are written together, up to this apart."""
LONGEST_S = 0.25


class Feeder(threading.Thread):
    """Keeps the plant in step with the kernel's clock; wakes the bench for edges, and writes the
    gauge's bytes to `wire_fd` when due. Sleeps until the plant's next event."""

    def __init__(self, plant: Plant, edges: SimulatedEdges, wire_fd: int | None) -> None:
        super().__init__(name="simulated plant", daemon=True)
        self._plant, self._edges = plant, edges
        self._clock = MonotonicClock()
        self._turn = threading.Condition()
        self._ending = False
        self._wire_fd = wire_fd
        self._lines: deque[Line] = deque()
        self._sent = 0
        """How many bytes of the first of `_lines` have been sent."""
        self._ear: Ear | None = None

    def listen(self) -> None:
        """Receive what is sent to the gauge, from its end of the cable."""
        if self._wire_fd is not None:
            self._ear = Ear(self._wire_fd, self.ask)
            self._ear.start()

    def relay_changed(self, on: bool) -> None:
        """The relay's line has changed, in the caller's thread."""
        with self._turn:
            self._plant.set_relay(on, self._clock.now_ns())
            self._turn.notify()

    def heartbeat_changed(self) -> None:
        """The heartbeat's line has changed, in the caller's thread."""
        with self._turn:
            self._plant.heartbeat_changed(self._clock.now_ns())
            self._turn.notify()

    def catch_up(self) -> None:
        """Bring the plant up to the clock, in the caller's thread; its edges arrive."""
        try:
            with self._turn:
                self._plant.advance(self._clock.now_ns())
                self._edges.arrive(self._plant.take_edges())
        except Exception as error:  # noqa: BLE001 - the reader is told by the lines being lost
            self._fail(error)

    def input_volts(self, place: int, t_ns: int) -> float:
        """Voltage at an input of the converter, in the caller's thread."""
        with self._turn:
            return self._plant.input_volts(place, t_ns)

    def ask(self, data: bytes) -> None:
        """Bytes came from the rig's end of the gauge's cable."""
        with self._turn:
            self._plant.ask_gauge(data, self._clock.now_ns())
            self._turn.notify()

    def hand(self, instruction: str) -> None:
        """Set what the person at the supply is told."""
        with self._turn:
            self._plant.advance(self._clock.now_ns())
            self._plant.hand(instruction)
            self._turn.notify()

    def end(self) -> None:
        """Stop, and wait until it has stopped. Idempotent."""
        with self._turn:
            self._ending = True
            self._turn.notify()
        if self.is_alive():
            self.join()
        self._unplug()
        if self._ear is not None:
            self._ear.end()

    def run(self) -> None:
        """Run the thread."""
        try:
            with self._turn:
                while not self._ending:
                    self._turn.wait(self._one_turn())
        except BaseException as error:
            self._fail(error)
            raise

    def _fail(self, error: BaseException) -> None:
        self._edges.fail(f"The simulated plant stopped ({error!r}). This is a program fault.")

    def _one_turn(self) -> float:
        """Do what is due; returns the time until the next event, s."""
        now_ns = self._clock.now_ns()
        plant = self._plant
        plant.advance(now_ns)
        edges = plant.take_edges()
        if edges:
            self._edges.arrive(edges)
        self._lines.extend(plant.take_lines())
        next_ns = plant.next_event_ns()
        if self._wire_fd is not None:
            if plant.gauge_unplugged:
                self._unplug()
            elif self._lines:
                next_ns = min(next_ns, self._send(now_ns))
        return min(max(next_ns - self._clock.now_ns(), 0) * 1e-9, LONGEST_S)

    def _send(self, now_ns: int) -> int:
        """Write the bytes that are due; returns when the next ones are."""
        while self._lines:
            line = self._lines[0]
            there = line.arrived(now_ns)
            if there > self._sent:
                self._write(line.data[self._sent : there])
                self._sent = there
            if there < len(line.data):
                next_ns = max(line.byte_end_ns(there + 1), now_ns + BATCH_NS)
                return min(next_ns, line.end_ns)
            self._lines.popleft()
            self._sent = 0
        return 1 << 62

    def _write(self, data: bytes) -> None:
        if self._wire_fd is not None:
            with contextlib.suppress(BlockingIOError):  # nobody reads: lost, as on a real wire
                os.write(self._wire_fd, data)

    def _unplug(self) -> None:
        if self._ear is not None:
            self._ear.stop()
        fd, self._wire_fd = self._wire_fd, None
        if fd is not None:
            os.close(fd)


class Ear(threading.Thread):
    """Wait for bytes at the gauge's end of its cable."""

    def __init__(self, wire_fd: int, heard: Callable[[bytes], None]) -> None:
        super().__init__(name="simulated gauge", daemon=True)
        self._wire_fd, self._heard = wire_fd, heard
        self._stop_fd = os.eventfd(0, os.EFD_CLOEXEC)
        self._stopped = threading.Event()

    def run(self) -> None:
        """Run the thread."""
        while not self._stopped.is_set():
            ready, _, _ = select.select([self._wire_fd, self._stop_fd], [], [])
            if self._stop_fd in ready:
                return
            try:
                data = os.read(self._wire_fd, 4096)
            except BlockingIOError:
                continue
            except OSError:  # the other end is closed
                return
            self._heard(data)

    def stop(self) -> None:
        """Stop receiving; after this the descriptor may be closed."""
        self._stopped.set()
        os.eventfd_write(self._stop_fd, 1)

    def end(self) -> None:
        """Wait until it has stopped."""
        if self.is_alive():
            self.join()
        os.close(self._stop_fd)


class FedWorld(RealWorld):
    """Real time, with the simulated hand on the supply."""

    def __init__(self, feeder: Feeder) -> None:
        super().__init__()
        self._feeder = feeder

    def guide(self, instruction: str) -> None:
        """Store it, and let the simulated hand follow it."""
        super().guide(instruction)
        self._feeder.hand(instruction)
