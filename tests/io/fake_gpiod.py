# SPDX-License-Identifier: MIT
"""A kernel's GPIO chips in memory, behind the same calls as the gpiod package.

Only for machines without a GPIO character device; tests/kernel runs the real thing. Settings,
events and enumerations are gpiod's own classes, so a misspelt one fails here too.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace, TracebackType
from typing import Any

import gpiod


@dataclass
class FakeLine:
    """One line: `level` is what the outside drives, `driven` what an output drives."""

    level: int = 0
    driven: int | None = None
    consumer: str = ""
    settings: Any = None
    request: Any = None
    sequence: int = 0


@dataclass
class FakeKernel:
    """Chips by device path, each with a label and lines."""

    labels: dict[str, str]
    lines: dict[str, dict[int, FakeLine]] = field(default_factory=dict)
    no_permission: set[str] = field(default_factory=set)
    gone: bool = False
    stamp_offset_ns: int = 0
    open_requests: list[Any] = field(default_factory=list)

    def line(self, path: str, offset: int) -> FakeLine:
        return self.lines.setdefault(path, {}).setdefault(offset, FakeLine())

    def drive(self, path: str, offset: int, level: int) -> tuple[int, int]:
        """Drive a line from outside; returns the span of time in which it changed."""
        before_ns = time.monotonic_ns()
        line = self.line(path, offset)
        if line.level != level:
            line.level = level
            line.sequence += 1
            if line.request is not None and line.settings.edge_detection is gpiod.line.Edge.BOTH:
                line.request.push(line, offset, level, time.monotonic_ns() + self.stamp_offset_ns)
        return before_ns, time.monotonic_ns()

    def package(self) -> Any:
        """What stands in for the gpiod package."""
        return SimpleNamespace(
            Chip=lambda path: FakeChip(self, path),
            request_lines=self.request_lines,
            LineSettings=gpiod.LineSettings,
            EdgeEvent=gpiod.EdgeEvent,
            RequestReleasedError=gpiod.RequestReleasedError,
            line=gpiod.line,
        )

    def request_lines(
        self, path: str, config: dict[int, Any], consumer: str, event_buffer_size: int = 16
    ) -> FakeRequest:
        with FakeChip(self, path):
            for offset in config:
                if not 0 <= offset < 54:
                    raise ValueError("line offset of out range")
                if self.line(path, offset).consumer:
                    raise OSError(errno.EBUSY, "Device or resource busy")
            return FakeRequest(self, path, config, consumer, event_buffer_size)


class FakeChip:
    def __init__(self, kernel: FakeKernel, path: str) -> None:
        if path in kernel.no_permission:
            raise PermissionError(errno.EACCES, "Permission denied")
        if path not in kernel.labels:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory")
        self._kernel, self._path = kernel, path

    def __enter__(self) -> FakeChip:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        return None

    def close(self) -> None:
        return None

    def request_lines(self, config: dict[int, Any], consumer: str) -> FakeRequest:
        if self._kernel.gone:
            raise OSError(errno.ENODEV, "No such device")
        return self._kernel.request_lines(self._path, config, consumer)

    def get_info(self) -> Any:
        return SimpleNamespace(
            name=Path(self._path).name, label=self._kernel.labels[self._path], num_lines=54
        )

    def get_line_info(self, offset: int) -> Any:
        consumer = self._kernel.line(self._path, offset).consumer
        return SimpleNamespace(used=bool(consumer), consumer=consumer)


class FakeRequest:
    """A request; its descriptor is readable while events wait, as the kernel's is."""

    def __init__(
        self, kernel: FakeKernel, path: str, config: dict[int, Any], consumer: str, size: int
    ) -> None:
        self.kernel, self.path, self.config, self.size = kernel, path, config, size
        self.events: list[gpiod.EdgeEvent] = []
        self.released = False
        self.fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._global = 0
        for offset, settings in config.items():
            line = kernel.line(path, offset)
            line.consumer, line.settings, line.request, line.sequence = consumer, settings, self, 0
            if settings.direction is gpiod.line.Direction.OUTPUT:
                line.driven = settings.output_value.value
        kernel.open_requests.append(self)

    def push(self, line: FakeLine, offset: int, level: int, t_ns: int) -> None:
        self._global += 1
        kind = gpiod.EdgeEvent.Type.RISING_EDGE if level else gpiod.EdgeEvent.Type.FALLING_EDGE
        self.events.append(gpiod.EdgeEvent(kind.value, t_ns, offset, self._global, line.sequence))
        del self.events[: -self.size]  # the kernel drops the oldest
        os.eventfd_write(self.fd, 1)

    def _check(self) -> None:
        if self.released:
            raise gpiod.RequestReleasedError
        if self.kernel.gone:
            raise OSError(errno.ENODEV, "No such device")

    def wait_edge_events(self, timeout: float) -> bool:
        assert timeout == 0
        if self.released:
            raise gpiod.RequestReleasedError
        return bool(self.events) or self.kernel.gone

    def read_edge_events(self) -> list[gpiod.EdgeEvent]:
        self._check()
        assert self.events, "the real call would block here"
        events, self.events = self.events[:64], self.events[64:]
        if not self.events:
            os.eventfd_read(self.fd)
        return events

    def get_value(self, offset: int) -> gpiod.line.Value:
        self._check()
        line = self.kernel.line(self.path, offset)
        return gpiod.line.Value(line.level if line.driven is None else line.driven)

    def release(self) -> None:
        if self.released:
            return
        self.released = True
        os.close(self.fd)
        self.kernel.open_requests.remove(self)
        for offset in self.config:
            line = self.kernel.line(self.path, offset)
            line.consumer, line.settings, line.request, line.driven = "", None, None, None


def kernel(nodes: Iterable[Path], labels: Iterable[str]) -> FakeKernel:
    """Chips at these device nodes (made as plain files, so that a scan finds them)."""
    found = {}
    for node, label in zip(nodes, labels, strict=True):
        node.touch()
        found[str(node)] = label
    return FakeKernel(found)
