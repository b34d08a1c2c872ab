# SPDX-License-Identifier: MIT
"""What really happened in the plant. For tests only: none of the rig's own code reads it."""

from __future__ import annotations

from array import array

KINDS = (
    "command on",
    "command off",
    "contact closed",
    "contact open",
    "plunger in",
    "plunger out",
    "pilot on",
    "pilot off",
    "spool at its end",
    "spool at rest",
    "switch actuated",
    "switch reset",
)


class Truth:
    """Instants by kind, ns. The contact's are its first touch and first parting, without bounce;
    the switch's are where the pressure passed the threshold, before snap time and bounce."""

    kinds = KINDS

    def __init__(self) -> None:
        self._times: dict[str, array[int]] = {kind: array("q") for kind in KINDS}

    def note(self, kind: str, t_ns: int) -> None:
        """Record an event, now or at a known time."""
        self._times[kind].append(t_ns)

    def forget_after(self, kind: str, t_ns: int) -> None:
        """Cancel what had been planned from `t_ns` on."""
        times = self._times[kind]
        while times and times[-1] >= t_ns:
            times.pop()

    def note_contact(self, closed: bool, t_ns: int) -> None:
        """The relay's contact moves to this state at `t_ns`, and later plans are void.

        If it is already there after a bounce that was cut short, nothing more happens.
        """
        kinds = ("contact closed", "contact open")
        for kind in kinds:
            self.forget_after(kind, t_ns)
        closings, openings = (len(self._times[kind]) for kind in kinds)
        if closed != (closings > openings):
            self.note(kinds[0] if closed else kinds[1], t_ns)

    def times_ns(self, kind: str) -> list[int]:
        """All instants of one of KINDS so far, in order."""
        return list(self._times[kind])
