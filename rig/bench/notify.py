# SPDX-License-Identifier: MIT
"""Messages to the service manager: ready, alive, stopping (sd_notify(3), sd_watchdog_enabled(3)).

The watchdog is fed only from the bench's own loop, after its checks passed: a helper thread would
keep feeding while the loop hangs. Without the environment that systemd sets, nothing is sent.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping

NS_PER_US = 1_000
FEEDS_PER_PERIOD = 3
"""Feeds per watchdog time, so that one late turn does not expire it."""


class Notifier:
    """Sends to $NOTIFY_SOCKET, never waits for it, and never raises.

    WATCHDOG_PID is ignored: the unit's main process is the desk, and its NotifyAccess=all lets the
    bench feed the watchdog instead.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        name = environment.get("NOTIFY_SOCKET", "")
        # the two forms of a local socket; "@" stands for the abstract namespace's first byte
        self._address = name if name.startswith("/") else "\0" + name[1:]
        self._sock: socket.socket | None = None
        if name.startswith(("/", "@")):
            self._sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._sock.setblocking(False)
        self._every_ns = _watchdog_ns(environment) // FEEDS_PER_PERIOD
        self._next_ns: int | None = None
        self._unsent = ""
        self._stopping = False

    @property
    def watched(self) -> bool:
        """Whether a service manager expects `feed`."""
        return self._sock is not None and self._every_ns > 0

    def ready(self, status: str = "") -> None:
        """The hardware is open and checked: the watchdog starts to count."""
        self._say("READY=1", status)

    def feed(self, now_ns: int) -> None:
        """The loop runs and its checks passed at `now_ns`. Sends at most once per third of the
        watchdog's time; a failed send is retried at the next call."""
        if self._sock is None:
            return
        if self._unsent and self._send(self._unsent):
            self._unsent = ""
        due = self._every_ns > 0 and (self._next_ns is None or now_ns >= self._next_ns)
        if due and self._send("WATCHDOG=1"):
            self._next_ns = now_ns + self._every_ns

    def stopping(self, status: str = "") -> None:
        """The run is over and the coil commanded off: the watchdog stops counting, and the rest
        (storing, analysing) has the unit's TimeoutStopSec. Sent once.

        A unit that the service manager itself is stopping has its watchdog started again by a feed
        that arrives late, and STOPPING=1 does not end that; a watchdog time of 0 does.
        """
        if not self._stopping:
            self._stopping = True
            self._say("STOPPING=1\nWATCHDOG_USEC=0", status)

    def close(self) -> None:
        """Idempotent."""
        if self._sock is not None:
            self._sock.close()
            self._sock = None

    def _say(self, word: str, status: str) -> None:
        line = " ".join(status.split())
        text = f"{word}\nSTATUS={line}" if line else word
        self._unsent = "" if self._send(text) else text

    def _send(self, text: str) -> bool:
        if self._sock is None:
            return True
        with contextlib.suppress(OSError):
            self._sock.sendto(text.encode(), self._address)
            return True
        return False


def _watchdog_ns(environment: Mapping[str, str]) -> int:
    text = environment.get("WATCHDOG_USEC", "")
    return int(text) * NS_PER_US if text.isascii() and text.isdigit() else 0
