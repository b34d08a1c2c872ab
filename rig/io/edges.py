# SPDX-License-Identifier: MIT
"""Timed inputs through the kernel's GPIO character device: every edge with the kernel's stamp.

1. One request for all lines, both edges, no debounce: debouncing shifts stamps and drops pulses.
2. An event buffer of 1,024: the kernel's default of 16 overflows in a contact bounce.
3. The kernel's stamp and sequence number are passed on unaltered, so that a lost edge shows.
4. The level comes from the same request. The kernel can merge two edges closer than its interrupt
   thread without a sequence gap; only comparing level with edges reveals that, or a dead edge
   source.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from rig.core.clock import NS_PER_MS
from rig.core.errors import HardwareError
from rig.core.records import Edge
from rig.io import chips

EVENT_BUFFER = 1024
CONSUMER = "rig"

_READS_MOST = 4
"""Buffers read in one read(): more than the kernel holds, and never endless."""
_SLACK_NS = NS_PER_MS

SOURCE = "kernel"


class KernelEdges:
    """EdgeSource over one gpiod request. `lines` maps a name to (offset, pull), where pull is "up",
    "down" or "external" (no internal pull). Raises HardwareError if refused."""

    def __init__(self, chip_path: str, lines: Mapping[str, tuple[int, str]]) -> None:
        gpiod = chips.gpiod_module()
        bias = {
            "up": gpiod.line.Bias.PULL_UP,
            "down": gpiod.line.Bias.PULL_DOWN,
            "external": gpiod.line.Bias.DISABLED,
        }
        self._chip_path = chip_path
        self._offsets = {name: offset for name, (offset, _) in lines.items()}
        self._names = {offset: name for name, offset in self._offsets.items()}
        self._rising = gpiod.EdgeEvent.Type.RISING_EDGE
        self._active = gpiod.line.Value.ACTIVE
        self._released = gpiod.RequestReleasedError
        self._lost = ""
        self._opened_ns = time.monotonic_ns()
        config = {
            offset: gpiod.LineSettings(
                direction=gpiod.line.Direction.INPUT,
                edge_detection=gpiod.line.Edge.BOTH,
                bias=bias[pull],
                event_clock=gpiod.line.Clock.MONOTONIC,
            )
            for offset, pull in lines.values()
        }
        try:
            self._request: Any = gpiod.request_lines(
                chip_path, config, consumer=CONSUMER, event_buffer_size=EVENT_BUFFER
            )
        except (OSError, ValueError) as error:
            raise chips.line_error(gpiod, chip_path, list(config), error) from error

    @property
    def lines(self) -> tuple[str, ...]:
        return tuple(self._offsets)

    def fileno(self) -> int | None:
        """The request's descriptor; None once it is lost or closed, or select(2) would spin."""
        return None if self._lost else int(self._request.fd)

    def read(self) -> list[Edge]:
        """All waiting edges, oldest first. Raises HardwareError once the request is lost."""
        self._check()
        edges: list[Edge] = []
        names, rising = self._names, self._rising
        try:
            for _ in range(_READS_MOST):
                if not self._request.wait_edge_events(0):
                    break
                events = self._request.read_edge_events()
                self._check_clock(events[0].timestamp_ns, events[-1].timestamp_ns)
                edges += [
                    Edge(
                        names[event.line_offset],
                        1 if event.event_type is rising else 0,
                        event.timestamp_ns,
                        event.line_seqno,
                        SOURCE,
                    )
                    for event in events
                ]
        except HardwareError:
            raise
        except (OSError, self._released) as error:
            self._lose(error)
            if not edges:
                raise HardwareError(self._lost) from error
        return edges

    def level(self, line: str) -> int:
        """The electrical level now (1 = high). Raises HardwareError once the request is lost."""
        self._check()
        try:
            return 1 if self._request.get_value(self._offsets[line]) is self._active else 0
        except (OSError, self._released) as error:
            self._lose(error)
            raise HardwareError(self._lost) from error

    def close(self) -> None:
        """Give the lines back. Idempotent."""
        self._lost = self._lost or f"The timed lines of {self._chip_path} are closed."
        self._request.release()

    def _check_clock(self, *stamps_ns: int) -> None:
        now_ns = time.monotonic_ns()
        for t_ns in stamps_ns:
            if not self._opened_ns - _SLACK_NS <= t_ns <= now_ns + _SLACK_NS:
                self._lost = (
                    f"{self._chip_path} stamps edges at {t_ns} ns, but the monotonic clock reads "
                    f"{now_ns} ns: another clock, so no time can be measured. Kernels before 5.7 "
                    "do that; use a newer one."
                )
                raise HardwareError(self._lost)

    def _lose(self, error: Exception) -> None:
        self._lost = (
            f"The timed lines of {self._chip_path} are lost ({error}). Was the chip's driver "
            "unloaded? Find out why before the next run."
        )

    def _check(self) -> None:
        if self._lost:
            raise HardwareError(self._lost)
