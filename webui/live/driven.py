# SPDX-License-Identifier: MIT
"""The desk process of a run that the page drives: orders in, its output lines out."""

from __future__ import annotations

import contextlib
import json
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable

from rig.core.json_values import JsonObject

LOG = logging.getLogger(__name__)
Heard = Callable[[bytes], None]


class Driven:
    """Start `rig.actions.conduct_for_page` and read it in a thread. `heard` gets every line,
    `ended` is called once with the exit code."""

    def __init__(self, plan: JsonObject, heard: Heard, ended: Callable[[int], None]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "rig.actions.conduct_for_page"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
        self._heard, self._ended = heard, ended
        self._lock = threading.Lock()
        self._send(plan)
        self._thread = threading.Thread(target=self._read, name="driven run", daemon=True)
        self._thread.start()

    @property
    def pid(self) -> int:
        return self._process.pid

    def order(self, name: str, **fields: object) -> None:
        """Pass on an order; a process that has ended accepts none."""
        self._send({"order": name, **fields})

    def _send(self, data: JsonObject) -> None:
        stdin = self._process.stdin
        with self._lock, contextlib.suppress(BrokenPipeError, ValueError):
            if stdin is not None:
                stdin.write(json.dumps(data, allow_nan=False).encode() + b"\n")
                stdin.flush()

    def _read(self) -> None:
        out = self._process.stdout
        if out is None:
            return
        buffer = b""
        while data := os.read(out.fileno(), 1 << 18):
            *lines, buffer = (buffer + data).split(b"\n")
            for line in lines:
                self._heard(line)
        code = self._process.wait()
        self._close_pipes()
        self._ended(code)

    def _close_pipes(self) -> None:
        for pipe in (self._process.stdin, self._process.stdout):
            with self._lock, contextlib.suppress(BrokenPipeError):
                if pipe is not None:
                    pipe.close()

    def close(self, within_s: float = 15.0) -> None:
        """End with the page: closing the process's input stops the run; wait for it. One that takes
        longer ends by itself; the page's log names it."""
        until = time.monotonic() + within_s
        stdin = self._process.stdin
        if stdin is not None:
            with self._lock, contextlib.suppress(BrokenPipeError):
                stdin.close()
        try:
            self._process.wait(within_s)
        except subprocess.TimeoutExpired:
            LOG.warning(
                "The run was ordered to stop; its process (%d) has not ended within %.0f s. Make "
                "sure that the coil is off: `rig safe`.", self.pid, within_s,
            )  # fmt: skip
        self._thread.join(max(0.0, until - time.monotonic()))
