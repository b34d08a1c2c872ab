# SPDX-License-Identifier: MIT
"""The bench's end of its sockets: one operator, some watchers, and clients that order a stop.

The operator's socket is inherited from the desk that started the bench. Others connect to a Unix
socket of mode 0600: they see everything, but the only order accepted from them is `stop`.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from rig.bench.streams import OutQueue
from rig.core import messages
from rig.core.messages import MAX_LINE, Order

BACKLOG = 64
"""Connections waiting to be accepted: a crowd of viewers cannot hold up a stop."""
OPERATOR_LINES, WATCHER_LINES = 16, 16
"""Lines read per turn: from the operator, and from all others together. Each of those gets at least
one, so that a flood from one cannot block a stop from another."""
MAX_WATCHERS = 8
STOPPERS = 8
"""Extra places for clients that come to order a stop; one that has not within STOPPER_S is
disconnected."""
STOPPER_S = 1.0


class Desk(Protocol):
    """What the bench needs from its desk; None in fast simulation."""

    def poll(self) -> Sequence[messages.Order]: ...
    def send(self, line: str) -> None: ...
    def flush(self) -> None: ...
    def filenos(self) -> list[int]: ...
    @property
    def operator_gone(self) -> bool: ...


class _Peer:
    """One connected socket: lines in, bounded queue out."""

    LIMIT = 4 << 20

    def __init__(self, sock: socket.socket) -> None:
        self.sock, self.out, self._buffer = sock, OutQueue(sock, self.LIMIT), b""
        self._lines: list[bytes] = []
        self.gone = False
        self.until_s: float | None = None
        """In a place reserved for a stop: the deadline for ordering it (monotonic)."""

    def read(self, most: int) -> list[bytes]:
        """Complete lines that have arrived, at most `most`: a flood waits and cannot hold up the
        loop."""
        if len(self._lines) < most:
            self._receive()
        lines, self._lines = self._lines[:most], self._lines[most:]
        return lines

    def _receive(self) -> None:
        try:
            data = self.sock.recv(MAX_LINE)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self.gone = True
            return
        *lines, self._buffer = (self._buffer + data).split(b"\n")
        self._lines += lines
        if len(self._buffer) > MAX_LINE or any(len(line) > MAX_LINE for line in lines):
            self.gone, self._lines, self._buffer = True, [], b""


class DeskLink:
    """The bench's connections to its desks."""

    def __init__(self, operator: socket.socket) -> None:
        self._operator = _Peer(operator)
        self._watchers: list[_Peer] = []
        self._listener: socket.socket | None = None
        self._path: Path | None = None

    def listen(self, path: Path) -> None:
        """Accept watchers at `path`. The caller holds the rig's lock, so anything already there is
        old."""
        path.unlink(missing_ok=True)
        listener = socket.socket(socket.AF_UNIX)
        mask = os.umask(0o177)
        try:
            listener.bind(str(path))
        finally:
            os.umask(mask)
        listener.listen(BACKLOG)
        listener.setblocking(False)
        self._listener, self._path = listener, path

    @property
    def operator_gone(self) -> bool:
        out = self._operator.out
        return self._operator.gone or out.closed or out.full

    def filenos(self) -> list[int]:
        """Descriptors to wait on."""
        socks = [peer.sock for peer in self._peers() if not peer.gone]
        if self._listener is not None:
            socks.append(self._listener)
        return [sock.fileno() for sock in socks]

    def poll(self) -> list[Order]:
        """Orders that have arrived. A malformed line is answered, never obeyed."""
        self._accept()
        orders: list[Order] = []
        each = max(1, WATCHER_LINES // max(1, len(self._watchers)))
        for peer in self._peers():
            if peer.gone:
                continue
            for line in peer.read(OPERATOR_LINES if peer is self._operator else each):
                try:
                    order = messages.read_order(line)
                except ValueError as error:
                    self._send(peer, messages.tell("refused", why=str(error)))
                    continue
                if peer is self._operator or order.order == "stop":
                    peer.until_s = None
                    orders.append(order)
                else:
                    self._send(peer, messages.tell("refused", why="another desk operates the rig"))
        self._watchers = [peer for peer in self._watchers if not self._drop(peer)]
        return orders

    def send(self, line: str) -> None:
        """Send a telling or a record to every desk; disconnect one that does not read."""
        data = (line + "\n").encode()
        for peer in self._peers():
            peer.out.put(data)

    def flush(self) -> None:
        for peer in self._peers():
            peer.out.flush()

    def close(self) -> None:
        self.flush()
        for peer in self._peers():
            peer.sock.close()
        if self._listener is not None:
            self._listener.close()
        if self._path is not None:
            with contextlib.suppress(OSError):  # a disk now read-only; the next bench removes it
                self._path.unlink()

    def _peers(self) -> Sequence[_Peer]:
        return (self._operator, *self._watchers)

    def _accept(self) -> None:
        if self._listener is None:
            return
        with contextlib.suppress(BlockingIOError):
            sock, _ = self._listener.accept()
            if len(self._watchers) >= MAX_WATCHERS + STOPPERS:
                sock.close()
                return
            peer = _Peer(sock)
            if len(self._watchers) >= MAX_WATCHERS:
                peer.until_s = time.monotonic() + STOPPER_S
            self._watchers.append(peer)

    def _send(self, peer: _Peer, line: str) -> None:
        peer.out.put((line + "\n").encode())

    def _drop(self, peer: _Peer) -> bool:
        if peer.until_s is not None and not time.monotonic() <= peer.until_s:
            why = f"{MAX_WATCHERS} programs watch this rig already; only a stop is taken from more"
            self._send(peer, messages.tell("refused", why=why))
            peer.out.flush()
            peer.gone = True
        if peer.gone or peer.out.closed or peer.out.full:
            peer.sock.close()
            return True
        return False
