# SPDX-License-Identifier: MIT
"""A listener that a flood cannot close: who says nothing, or half of it, has to go.

waitress counts idle connections against its limit, and stops accepting once that is reached: a few
hundred connections that send nothing would keep everybody out, a stop included. Here a connection
has so long to send its request, and where too many are open one of those that owe a request goes:
the one that has waited longest, or, where handshakes of TLS are under way, any, by chance. A
handshake takes turns to and fro, and who comes faster than those must not be able to drive
everybody out.
"""

from __future__ import annotations

import random
import select
import time
from collections.abc import Callable
from typing import Any

from waitress.channel import HTTPChannel
from waitress.server import TcpWSGIServer

BODY_BYTES_PER_S = 16 * 1024
"""A body may take longer than the patience where it comes at least this fast."""
UNREAD_S = 30.0
"""An answer that nobody reads any more is given up, and its thread freed."""
SPARED_S = 1.0
"""So long a connection over TLS has for its handshake before others that came earlier."""
SILENT_WEIGHT = 16
"""So much likelier one goes whose first message of the handshake is not whole."""


class Connection(HTTPChannel):  # type: ignore[misc]
    """One connection. `waits_since_s`: since when it owes a request (monotonic); `received_bytes`
    of it so far."""

    greeted = has_spoken = True
    """Whether the handshake is done, and whether its first message came; here there is none."""

    def __init__(self, *words: Any, **more: Any) -> None:
        super().__init__(*words, **more)
        self.owes()

    def owes(self) -> None:
        """From now on it owes its next request."""
        self.waits_since_s, self.received_bytes = time.monotonic(), 0

    @property
    def at_work(self) -> bool:
        """A request of it is being answered."""
        return bool(self.requests or self.total_outbufs_len)

    def check_client_disconnected(self) -> bool:
        """Whether nobody waits for the answer any more, asked by whoever makes it: of a connection
        whose request is being answered nothing is read."""
        asked = select.poll()
        try:
            asked.register(self.socket.fileno(), select.POLLRDHUP)
        except (OSError, ValueError, AttributeError):  # closed meanwhile
            return True
        return bool(asked.poll(0))

    def received(self, data: bytes) -> bool:
        """Count what arrives."""
        self.received_bytes += len(data)
        return bool(super().received(data))


class Listener(TcpWSGIServer):  # type: ignore[misc]
    """A waitress server with a patience of `patience_s` and at most `each` connections from one
    address, `most` from all together. `connection` is made of each accepted socket."""

    def __init__(
        self, app: Any, *, patience_s: float, each: int, most: int,
        connection: Callable[..., Any] = Connection, **adjustments: Any,
    ) -> None:  # fmt: skip
        self._patience_s, self._each, self._most = patience_s, each, most
        self.channel_class = connection
        super().__init__(
            app, ident=None, cleanup_interval=1, asyncore_use_poll=True,
            connection_limit=2 * most + 10,
            clear_untrusted_proxy_headers=False,  # webui.access asks for them, nothing obeys them
            **adjustments,
        )  # fmt: skip

    def add_task(self, task: Connection) -> None:
        """A request is whole."""
        task.owes()
        super().add_task(task)

    def maintenance(self, now: float) -> None:
        """Once a second: drop who is late."""
        del now  # of the wall clock, which may jump
        now_s, wall_s = time.monotonic(), time.time()
        for one in list(self.active_channels.values()):
            if one.at_work:
                one.owes()
                if one.total_outbufs_len and not wall_s - one.last_activity <= UNREAD_S:
                    one.handle_close()
            elif not now_s - one.waits_since_s <= self._allowed_s(one):
                one.handle_close()

    def _allowed_s(self, one: Connection) -> float:
        return self._patience_s + one.received_bytes / BODY_BYTES_PER_S

    def handle_accept(self) -> None:
        """Let one in; where there are too many, the one that has waited longest goes for it."""
        known = set(self.active_channels.values())
        super().handle_accept()
        for new in set(self.active_channels.values()) - known:
            address = new.addr[0]
            same = [one for one in known if one.addr[0] == address]
            if len(same) >= self._each:
                self._make_room(new, same)
            elif len(known) >= self._most:
                self._make_room(new, list(known))

    def _make_room(self, new: Connection, among: list[Connection]) -> None:
        waiting = [one for one in among if not one.at_work]
        if all(one.greeted for one in waiting):
            # where everybody is being answered, the newcomer goes
            min(waiting, key=lambda one: one.waits_since_s, default=new).handle_close()
            return
        now_s = time.monotonic()
        late = [one for one in waiting if not now_s - one.waits_since_s <= SPARED_S]
        chances = [1 if one.has_spoken else SILENT_WEIGHT for one in late or waiting]
        random.choices(late or waiting, chances)[0].handle_close()  # noqa: S311 - no secret
