# SPDX-License-Identifier: MIT
"""What a desk learns about a run."""

from __future__ import annotations

from dataclasses import dataclass, field

from rig.core.errors import EXIT_COIL_LIVE, EXIT_HARDWARE, EXIT_INTERNAL, EXIT_OK, EXIT_TRIPPED
from rig.core.records import OFF_STATES, End, Trip


@dataclass
class Outcome:
    """How a run ended. `end` is None if the bench died before reporting; `message` is for the
    person, `run` the number in the log, None if no run was begun."""

    end: End | None = None
    trip: Trip | None = None
    run: int | None = None
    message: str = ""
    started: bool = False
    fault: bool = False
    exit_code: int | None = None
    stopped: str = ""
    """Why the run was stopped early."""
    notes: list[str] = field(default_factory=list)
    """What else went wrong."""
    stored_whole: bool = True
    ready_in_s: float | None = None
    """How long the coil must rest first, if nothing else prevents a start."""

    @property
    def code(self) -> int:
        """Exit code before any verdict (rig.core.errors)."""
        if self.exit_code is not None:
            return self.exit_code
        if self.end is not None and self.end.off == OFF_STATES[2]:
            return EXIT_COIL_LIVE
        if self.fault:
            return EXIT_INTERNAL
        if self.end is None:
            return EXIT_TRIPPED if self.started else EXIT_HARDWARE
        if self.end.reason != "finished":
            return EXIT_TRIPPED
        return EXIT_OK if self.stored_whole else EXIT_INTERNAL
