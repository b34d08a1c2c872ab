# SPDX-License-Identifier: MIT
"""Output streams that never make the bench wait: bounded queues over non-blocking sockets."""

from __future__ import annotations

import socket
import time
from collections import deque
from collections.abc import Callable

CHUNK = 65_536


class OutQueue:
    """Bytes waiting for a non-blocking socket. `full` once more than `limit` bytes wait."""

    def __init__(self, sock: socket.socket, limit: int) -> None:
        sock.setblocking(False)
        self._sock, self._limit = sock, limit
        self._waiting: deque[bytes] = deque()
        self._size = 0
        self._stuck_since: float | None = None
        self.closed = False
        self.full = False

    def put(self, data: bytes) -> None:
        """Queue `data`; drop it if the queue is full or the reader has gone."""
        if self.closed or self.full:
            return
        if self._size + len(data) > self._limit:
            self.full = True
            return
        self._waiting.append(data)
        self._size += len(data)

    def flush(self) -> None:
        """Send as much as the other end accepts now."""
        while self._waiting and not self.closed:
            data = self._waiting[0]
            if len(self._waiting) > 1 and len(data) < CHUNK:
                data = self._join()
            try:
                sent = self._sock.send(data)
            except BlockingIOError:
                if self._stuck_since is None:
                    self._stuck_since = time.monotonic()
                return
            except OSError:
                self.closed = True
                self._waiting.clear()
                return
            self._stuck_since = None
            self._size -= sent
            if sent == len(data):
                self._waiting.popleft()
            else:
                self._waiting[0] = data[sent:]

    def _join(self) -> bytes:
        parts, size = [], 0
        while self._waiting and size < CHUNK:
            parts.append(self._waiting.popleft())
            size += len(parts[-1])
        joined = b"".join(parts)
        self._waiting.appendleft(joined)
        return joined

    @property
    def stuck_s(self) -> float:
        """How long the other end has accepted nothing while bytes wait."""
        return 0.0 if self._stuck_since is None else time.monotonic() - self._stuck_since

    @property
    def empty(self) -> bool:
        return not self._waiting


class SocketSink:
    """The bench's RecordSink to the recorder process (core.ports.RecordSink)."""

    LIMIT = 8 << 20

    def __init__(self, sock: socket.socket) -> None:
        self._queue = OutQueue(sock, self.LIMIT)
        self._sock = sock

    def put(self, line: str) -> None:
        self._queue.put((line + "\n").encode())

    def flush(self) -> None:
        self._queue.flush()

    @property
    def lag_s(self) -> float:
        return self._queue.stuck_s

    @property
    def overflowed(self) -> bool:
        return self._queue.full

    @property
    def reader_gone(self) -> bool:
        return self._queue.closed

    def close(self, timeout_s: float, meanwhile: Callable[[], None] = lambda: None) -> None:
        """Send what waits, for at most `timeout_s`, then close, so that the recorder sees the end.
        Calls `meanwhile` repeatedly."""
        self._sock.settimeout(None)
        self._sock.setblocking(False)
        end = time.monotonic() + timeout_s
        self.flush()
        while not self._queue.empty and time.monotonic() < end:
            time.sleep(0.01)
            meanwhile()
            self.flush()
        self._sock.close()
