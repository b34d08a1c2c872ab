# SPDX-License-Identifier: MIT
"""A listener that a flood cannot block: silent or half-finished connections are dropped.

waitress counts idle connections against its limit and stops accepting once it is reached: a few
hundred connections that send nothing would keep everybody out, a stop included. Here a connection
has limited time to send its request, and when too many are open, one of those that owe a request is
dropped: the one that has waited longest or, while TLS handshakes are under way, a random one. A
handshake takes several round trips, and a client that connects faster than those must not be able
to push everybody out.

A flood may also open a new connection for each one dropped. A connection waiting for its first
bytes would then be pushed out before they come; so it waits in the kernel and is accepted together
with them, to be read at once. Connections are accepted many at a time, or those waiting would delay
a stop.
"""

from __future__ import annotations

import contextlib
import random
import select
import socket
import time
from collections.abc import Callable
from typing import Any

from waitress import wasyncore
from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer

BODY_BYTES_PER_S = 16 * 1024
"""A body may exceed the time limit if it arrives at least this fast."""
UNREAD_S = 30.0
"""An answer that nobody reads any more is abandoned, and its thread freed."""
READ_BYTES = 16 * 1024
"""Largest TLS record (RFC 8446, section 5.1). Read whole, so that no decrypted data remain inside
the library where the loop, which polls the socket, would not see them."""
KERNEL_S = 1
"""How long a silent connection stays with the kernel (TCP_DEFER_ACCEPT, tcp(7))."""
AT_ONCE = 16
"""Connections accepted between two checks of the existing ones."""
ANSWERS_S = 1.0
"""Time for answers under way at the end."""
SPARED_S = 1.0
"""Time a TLS connection has for its handshake; until then, older waiting ones are dropped first."""
SILENT_WEIGHT = 16
"""How much more likely a connection is dropped if its first handshake message is incomplete."""


class Connection(HTTPChannel):  # type: ignore[misc]
    """One connection. `waits_since_s`: since when it owes a request (monotonic); `received_bytes`
    of it so far."""

    greeted = has_spoken = True
    """Whether the handshake is done, and whether its first message came; here there is none."""

    def __init__(self, *words: object, **more: object) -> None:
        super().__init__(*words, **more)
        self.owes()

    def owes(self) -> None:
        """From now on the connection owes its next request."""
        self.waits_since_s, self.received_bytes = time.monotonic(), 0

    def begin(self) -> None:
        """Read what arrived before it was accepted; one without data has already waited
        KERNEL_S."""
        try:
            socket.socket.recv(self.socket, 1, socket.MSG_PEEK)
        except BlockingIOError:
            self.waits_since_s -= KERNEL_S
            return
        except OSError:  # gone again: discovered on reading
            pass
        wasyncore.read(self)

    def drop(self) -> None:
        """Mark it to be closed on its own next turn. If it were closed at once, its number could be
        reused for the next accepted connection, which would then be closed by an event that was not
        its own."""
        self.will_close = True
        with contextlib.suppress(OSError):  # it may be gone
            socket.socket.shutdown(self.socket, socket.SHUT_RDWR)

    def handle_read(self) -> None:
        """The bytes read may contain no data yet: over TLS, part of a record or a record of the
        protocol."""
        try:
            data = self.recv(READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            self.handle_close()
            return
        if data:
            self.last_activity = time.time()
            self.received(data)

    @property
    def at_work(self) -> bool:
        """Whether one of its requests is being answered."""
        return bool(self.requests or self.total_outbufs_len)

    def check_client_disconnected(self) -> bool:
        """Whether nobody waits for the answer any more; asked by the code producing the answer,
        because a connection is not read while its request is being answered."""
        asked = select.poll()
        try:
            asked.register(self.socket.fileno(), select.POLLRDHUP)
        except (OSError, ValueError, AttributeError):  # closed meanwhile
            return True
        return bool(asked.poll(0))

    def received(self, data: bytes) -> bool:
        """Count received bytes."""
        self.received_bytes += len(data)
        return bool(super().received(data))


class Listener(TcpWSGIServer):  # type: ignore[misc]
    """A waitress server with a timeout of `timeout_s` and at most `each` connections from one
    address, `most` in total. `connection` is created for each accepted socket."""

    def __init__(
        self, app: Any, *, timeout_s: float, each: int, most: int,
        connection: Callable[..., Any] = Connection, **adjustments: object,
    ) -> None:  # fmt: skip
        self._timeout_s, self._each, self._most = timeout_s, each, most
        self._connection = connection
        self._latest: Any = None
        super().__init__(
            app, ident=None, cleanup_interval=1, asyncore_use_poll=True,
            connection_limit=2 * most + 10,
            clear_untrusted_proxy_headers=False,  # webui.access reads them, nothing trusts them
            **adjustments,
        )  # fmt: skip
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_DEFER_ACCEPT, KERNEL_S)

    def channel_class(self, *words: object, **more: object) -> None:
        """Called by waitress with each accepted socket."""
        self._latest = self._connection(*words, **more)

    def run(self) -> None:
        """Serve until a signal raises. waitress's own would first wait 5 s for answers under way: a
        run that the page drives would go on for that long."""
        self.asyncore.loop(
            timeout=self.adj.asyncore_loop_timeout, map=self._map,
            use_poll=self.adj.asyncore_use_poll,
        )  # fmt: skip

    def end(self) -> None:
        """Drop every connection, give the threads that answer one ANSWERS_S to notice, and close.
        Not by the wall clock, as waitress would: it may be set back meanwhile."""
        for one in self._present():
            one.drop()
        threads, until = self.task_dispatcher, time.monotonic() + ANSWERS_S
        threads.set_thread_count(0)
        while threads.threads and time.monotonic() < until:
            time.sleep(0.01)
        threads.shutdown(timeout=0)
        self.close()

    def add_task(self, task: Connection) -> None:
        """A request is complete."""
        task.owes()
        super().add_task(task)

    def maintenance(self, now: float) -> None:
        """Once a second: drop connections that are late."""
        del now  # of the wall clock, which may jump
        now_s, wall_s = time.monotonic(), time.time()
        for one in self._present():
            if one.at_work:
                one.owes()
                if one.total_outbufs_len and not wall_s - one.last_activity <= UNREAD_S:
                    one.drop()
            elif not now_s - one.waits_since_s <= self._allowed_s(one):
                one.drop()

    def _present(self) -> list[Any]:
        return [one for one in self.active_channels.values() if not one.will_close]

    def _allowed_s(self, one: Connection) -> float:
        return self._timeout_s + one.received_bytes / BODY_BYTES_PER_S

    def handle_accept(self) -> None:
        """Accept waiting connections; if too many are open, drop one (`_make_room`)."""
        for _ in range(AT_ONCE):
            known = self._present()
            self._latest = None
            super().handle_accept()
            new: Any = self._latest
            if new is None:
                return
            new.begin()
            if not new.connected:
                continue
            same = [one for one in known if one.addr[0] == new.addr[0]]
            if len(same) >= self._each:
                self._make_room(new, same)
            elif len(known) >= self._most:
                self._make_room(new, known)

    def _make_room(self, new: Connection, among: list[Connection]) -> None:
        waiting = [one for one in among if not one.at_work]
        if all(one.greeted for one in waiting):
            # if all are being answered, the newcomer is dropped
            min(waiting, key=lambda one: one.waits_since_s, default=new).drop()
            return
        now_s = time.monotonic()
        late = [one for one in waiting if not now_s - one.waits_since_s <= SPARED_S]
        chances = [1 if one.has_spoken else SILENT_WEIGHT for one in late or waiting]
        random.choices(late or waiting, chances)[0].drop()  # noqa: S311 - no secret
