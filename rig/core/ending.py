# SPDX-License-Identifier: MIT
"""The exit code that this process has decided on, whatever becomes of its output."""

from __future__ import annotations

from rig.core.errors import EXIT_INTERNAL


class Ending:
    """What one process has decided, and whether its output arrived."""

    def __init__(self) -> None:
        self.lost = False
        self.judged: int | None = None

    def code(self, code: int) -> int:
        """The exit code: `code`, or with output lost the one judged, else EXIT_INTERNAL."""
        if not self.lost:
            return code
        return EXIT_INTERNAL if self.judged is None else self.judged


ENDING = Ending()


def judged(code: int) -> int:
    """Record the exit code a command decided on, before it shows anything. Returns `code`."""
    ENDING.judged = code
    return code
