# SPDX-License-Identifier: MIT
"""Ctrl-C, Ctrl-Z, a closed terminal and SIGTERM: noted, so that the coil goes off first.

A second signal cannot skip what the first one began.
"""

from __future__ import annotations

import contextlib
import signal
import socket
from collections.abc import Iterator
from types import FrameType, TracebackType

NAMES = {
    signal.SIGINT: "stopped by Ctrl-C",
    signal.SIGTSTP: "stopped by Ctrl-Z (a run cannot be suspended)",
    signal.SIGHUP: "the terminal was closed",
    signal.SIGTERM: "ended by SIGTERM",
    signal.SIGQUIT: "ended by SIGQUIT",
}


class StopSignals:
    """While entered, the signals that end a program set `why`, raise `count` and wake a waiting
    select."""

    def __init__(self) -> None:
        self.why: str | None = None
        self.count = 0
        self._prompting = False
        self._reader, self._writer = socket.socketpair()
        self._reader.setblocking(False)
        self._writer.setblocking(False)

    def fileno(self) -> int:
        return self._reader.fileno()

    def _note(self, number: int, _frame: FrameType | None) -> None:
        self.count += 1
        self.why = self.why or NAMES[signal.Signals(number)]
        if self._prompting:
            raise KeyboardInterrupt

    @contextlib.contextmanager
    def prompting(self) -> Iterator[None]:
        """While a person is asked: nothing is energised, so a signal ends the question at once."""
        self._prompting = True
        try:
            yield
        finally:
            self._prompting = False

    def drain(self) -> None:
        """Discard the wake-up bytes, so that the next select waits again."""
        with contextlib.suppress(BlockingIOError):
            self._reader.recv(4096)

    def __enter__(self) -> StopSignals:
        self._before = {number: signal.signal(number, self._note) for number in NAMES}
        self._wakeup = signal.set_wakeup_fd(self._writer.fileno(), warn_on_full_buffer=False)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        signal.set_wakeup_fd(self._wakeup)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        self._reader.close()
        self._writer.close()
