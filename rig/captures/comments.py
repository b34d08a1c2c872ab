# SPDX-License-Identifier: MIT
"""Comments of a capture: where it was exported from, and its time resolution."""

from __future__ import annotations

import numpy as np

from rig.captures.columns import SAYS
from rig.captures.problems import Problems
from rig.core.recording import STAMP_MS, Recording
from rig.core.records import COMMAND, SAMPLED
from rig.core.records import RESOLUTION as STATED

RESOLUTION = "resolution:"
LONGEST_S = 3600.0


def resolution_comment(recording: Recording) -> str:
    """The time resolution of an export of this recording, as a comment that is understood on
    import; empty where it is not known."""
    half_ms = STAMP_MS.get(recording.source)
    if half_ms is not None:
        return f"{RESOLUTION} {round(2e3 * half_ms)} us"
    widest: list[int] = [
        int(condition.detail.split()[0])
        for condition in recording.conditions
        if condition.kind == STATED
    ]
    if any(condition.kind == SAMPLED for condition in recording.conditions):
        shown = {line: edges.t_ns for line, edges in recording.edges.items()}
        for line, at in {**shown, COMMAND: recording.commands.t_ns}.items():
            before_ns = recording.levels[line].t_ns if line in recording.levels else at[:0]
            if 0 < len(at) <= len(before_ns):
                # an export has no row for the sample before, so state the uncertainty it left
                widest.append(int(np.max(at - before_ns[len(before_ns) - len(at) :])))
    # round up to the next whole microsecond
    us = -(-max(widest, default=0) // 1000)
    return f"{RESOLUTION} {us} us" if us else ""


class Comments:
    """Collect the comments of one file. `kinds` become conditions of its runs; `resolution_ns` is
    None where none is stated. Anything typed by a person overrides the file."""

    def __init__(self, problems: Problems, resolution_ns: int | None = None) -> None:
        self.kinds: set[str] = set()
        self.resolution_ns = resolution_ns
        self._typed = resolution_ns is not None
        self._problems = problems

    def hear(self, text: str, at: str) -> None:
        """Add one comment, without its mark, of one line or several; `at` is its position."""
        for line in text.strip().splitlines():
            said = line.strip()
            self.kinds.update(kind for word, kind in SAYS.items() if said.startswith(word))
            if said.casefold().startswith(RESOLUTION):
                self._resolution(said[len(RESOLUTION) :].strip(), at)

    def _resolution(self, text: str, at: str) -> None:
        from rig.core.quantities import QuantityError, parse

        try:
            seconds = parse(text, "time")
        except QuantityError as error:
            self._problems.add(at, text, f"resolution: {error.what}", error.remedy)
            return
        ns = round(seconds * 1e9) if seconds < LONGEST_S else 0
        if not ns > 0:
            self._problems.add(
                at, text, "a resolution that is no time above zero, or above an hour",
                "write it like 1 ms",
            )  # fmt: skip
        elif not self._typed:
            self.resolution_ns = max(self.resolution_ns or 0, ns)
