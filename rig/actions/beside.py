# SPDX-License-Identifier: MIT
"""A view drawn by its own thread: a terminal that does not read (Ctrl-S, a stalled remote shell)
must hold up neither the desk's link nor its guard."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable

from rig.core.json_values import JsonObject
from rig.desk.session import Watcher

WAITING_MOST = 10_000
"""Limit of calls waiting to be drawn; any more are not shown, but still recorded."""
LAST_DRAWING_S = 1.0
"""How long the end of a run waits for the view to be removed from the screen."""


class Beside(Watcher):
    """Passes everything to `view` in another thread. A failure there is raised here at the next
    call."""

    def __init__(self, view: Watcher, start: Callable[[], None], stop: Callable[[], None]) -> None:
        self._view, self._begin, self._end = view, start, stop
        self._calls: queue.Queue[Callable[[], None] | None] = queue.Queue(WAITING_MOST)
        self._over = threading.Event()
        self._failed: Exception | None = None
        self._thread = threading.Thread(target=self._draw, name="view", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Remove the view from the screen; a terminal that does not read is left as it is."""
        self._over.set()
        with contextlib.suppress(queue.Full):
            self._calls.put_nowait(None)  # wake it
        self._thread.join(LAST_DRAWING_S)

    def _draw(self) -> None:
        try:
            self._begin()
            while not (self._over.is_set() and self._calls.empty()):
                call = self._calls.get()
                if call is not None:
                    call()
            self._end()
        except Exception as error:  # noqa: BLE001 - raised again where the desk can act on it
            self._failed = error

    def _put(self, call: Callable[[], None]) -> None:
        if self._failed is not None:
            raise self._failed
        with contextlib.suppress(queue.Full):
            self._calls.put_nowait(call)

    def record(self, line: bytes) -> None:
        self._put(lambda: self._view.record(line))

    def status(self, status: JsonObject) -> None:
        self._put(lambda: self._view.status(status))

    def guide(self, instruction: str) -> None:
        self._put(lambda: self._view.guide(instruction))

    def recorder(self, told: JsonObject) -> None:
        self._put(lambda: self._view.recorder(told))

    def stopping(self, why: str) -> None:
        self._put(lambda: self._view.stopping(why))

    def alarm(self, words: str) -> None:
        """Draw it like the rest; if the view failed or is full, in the caller's thread."""
        if self._failed is None:
            with contextlib.suppress(queue.Full):
                self._calls.put_nowait(lambda: self._view.alarm(words))
                return
        self._view.alarm(words)
