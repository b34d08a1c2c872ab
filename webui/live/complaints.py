# SPDX-License-Identifier: MIT
"""An error in a loop that has to go on: told with its traceback, and not at every turn."""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Iterator

EVERY_S = 60.0


class Complaints:
    """Errors of one loop. The first is logged, then at most one a minute, with how many there
    were since."""

    def __init__(self, log: logging.Logger, what: str) -> None:
        self._log, self._what = log, what
        self._count, self._next_s = 0, 0.0

    @contextlib.contextmanager
    def survived(self) -> Iterator[None]:
        """Whatever is raised inside ends here."""
        try:
            yield
        except Exception:  # noqa: BLE001 - the loop feeds every viewer and has to go on
            self._count += 1
            now_s = time.monotonic()
            if now_s >= self._next_s:
                self._log.exception("%s (%d times since the last word)", self._what, self._count)
                self._count, self._next_s = 0, now_s + EVERY_S
