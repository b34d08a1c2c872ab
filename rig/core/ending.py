# SPDX-License-Identifier: MIT
"""The exit code this process has decided on, whatever happens to its output."""

from __future__ import annotations

from rig.core.errors import EXIT_INTERNAL


class Ending:
    """The exit code decided, and whether the output arrived."""

    def __init__(self) -> None:
        self.lost = False
        self.judged: int | None = None

    def code(self, code: int) -> int:
        """The exit code: `code`. If output was lost, the recorded one, else EXIT_INTERNAL."""
        if not self.lost:
            return code
        return EXIT_INTERNAL if self.judged is None else self.judged


ENDING = Ending()


def judged(code: int) -> int:
    """Record a command's exit code before it shows anything. Returns `code`."""
    ENDING.judged = code
    return code
