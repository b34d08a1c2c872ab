# SPDX-License-Identifier: MIT
"""Rate-limited exception logging, with traceback, for a loop that must go on."""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Iterator

EVERY_S = 60.0


class Complaints:
    """Errors of one loop. The first is logged, then at most one a minute, with the count since."""

    def __init__(self, log: logging.Logger, what: str) -> None:
        self._log, self._what = log, what
        self._count, self._next_s = 0, 0.0

    @contextlib.contextmanager
    def survived(self) -> Iterator[None]:
        """Catch and log whatever is raised inside."""
        try:
            yield
        except Exception:  # noqa: BLE001 - the loop feeds every viewer and has to go on
            self._count += 1
            now_s = time.monotonic()
            if now_s >= self._next_s:
                self._log.exception("%s (%d times since the last word)", self._what, self._count)
                self._count, self._next_s = 0, now_s + EVERY_S
