# SPDX-License-Identifier: MIT
"""Live data: server-sent events for as many browsers as there are spare threads, and plain polling
for all others."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

from flask import Response, current_app, request

from webui import access
from webui.live.hub import Hub

STREAMS_MOST = 10
LIFE_S = 600.0
"""A stream ends after this long and is reopened: one that nobody reads any more then frees its
thread in any case."""
OPERATOR_S, VIEWER_S = 0.2, 0.5
HEARTBEAT_S = 4.0


class Places:
    """Number of open streams."""

    def __init__(self, most: int = STREAMS_MOST) -> None:
        self._free = threading.Semaphore(most)

    def take(self) -> bool:
        return self._free.acquire(blocking=False)

    def give_back(self) -> None:
        self._free.release()


def hub() -> Hub:
    """The hub that feeds the pages."""
    found: Hub = current_app.extensions["hub"]
    return found


def latest() -> Response:
    """The latest snapshot, for a browser that polls."""
    sequence, payload = hub().wait(-1, 0.0)
    return _json(sequence, payload)


def _json(sequence: int, payload: bytes) -> Response:
    response = Response(payload, mimetype="application/json")
    response.headers["X-Sequence"] = str(sequence)
    return response


def events() -> Response:
    """Snapshots as they come: the operator's page 5 times a second, others twice. 503 if no thread
    is free; the page then polls."""
    places: Places = current_app.extensions["stream_places"]
    if not places.take():
        return Response("no place", status=503, mimetype="text/plain", headers={"Retry-After": "2"})
    every_s = OPERATOR_S if access.is_operator() else VIEWER_S
    feeder = hub()
    last = request.headers.get("Last-Event-ID", "")
    after = int(last) if last.isdecimal() and len(last) < 12 else -1

    def send() -> Iterator[bytes]:
        try:
            sequence, until = after, time.monotonic() + LIFE_S
            while time.monotonic() < until and not feeder.over:
                sent = time.monotonic()
                new, payload = feeder.wait(sequence, HEARTBEAT_S)
                if new == sequence:
                    yield b": still here\n\n"
                    continue
                sequence = new
                yield b"id: %d\ndata: " % sequence + payload + b"\n\n"
                time.sleep(max(0.0, every_s - (time.monotonic() - sent)))
        finally:
            places.give_back()

    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return Response(send(), mimetype="text/event-stream", headers=headers)
