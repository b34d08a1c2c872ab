# SPDX-License-Identifier: MIT
"""Values of a capture become the records of a run: shared by every reader."""

from __future__ import annotations

from array import array
from collections.abc import Iterable

from rig.captures.columns import COIL, COMMAND, SWITCH_COLUMN
from rig.captures.looks import Looks
from rig.config.setup.model import Setup
from rig.core.recording import Recording, RecordingBuilder
from rig.core.records import (
    GOOD,
    READBACK,
    RESOLUTION,
    SAMPLED,
    SWITCH,
    Command,
    Condition,
    Edge,
    Level,
    Sample,
    Step,
)

COMMAND_ON_AT_START = "command already on in the first row"


class Taking:
    """Takes the values of one run in order of time, and builds its recording.

    `setup` gives the electrical sense of switch and read-back. A digital value that repeats the
    one held gives no record of its own, but it was a look: where a capture has a row at every look,
    the last one before each change comes along as a Level.
    """

    def __init__(self, setup: Setup) -> None:
        live = setup.coil_live_level if setup.readback is not None else 1
        self._builder = RecordingBuilder("capture", setup.switch_closed_level, live)
        self._levels = {SWITCH_COLUMN: (SWITCH, setup.switch_closed_level), COIL: (READBACK, live)}
        self._held: dict[str, int] = {}
        self._edges = {SWITCH: 0, READBACK: 0}
        self._before: dict[str, tuple[array[int], array[int]]] = {}
        self._looks = Looks()
        self._strokes = 0
        self._first_ns: int | None = None
        self.last_ns: int | None = None

    def time(self, t_ns: int) -> bool:
        """The instant (ns) of what comes next; False where it lies before the last one."""
        in_order = self.last_ns is None or t_ns >= self.last_ns
        self.last_ns = t_ns
        self._looks.row(t_ns)
        if self._first_ns is None:
            self._first_ns = t_ns
            self._builder.add(Step("first row", 0, t_ns))
        return in_order

    def digital(self, name: str, value: int, t_ns: int) -> None:
        """`command`, `coil` or `switch` is 0 or 1 from `t_ns` on."""
        held = self._held.get(name)
        changed = held is not None and held != value
        last_look = self._looks.look(name, t_ns, changed=changed)
        if name == COMMAND:
            self._command(value, t_ns, last_look)
            return
        line, level_of_one = self._levels[name]
        level = level_of_one if value else 1 - level_of_one
        self._held[name] = value
        if held is None:
            self._builder.add(Level(line, level, t_ns))
        elif changed:
            self._edges[line] += 1
            self._builder.add(Edge(line, level, t_ns, self._edges[line], "capture"))
            self._keep(line, 1 - level, last_look)

    def _command(self, on: int, t_ns: int, last_look: int) -> None:
        held = self._held.get(COMMAND)
        self._held[COMMAND] = on
        if on == (held or 0):
            return
        self._strokes += on
        if held is None and t_ns == self._first_ns:
            self._builder.add(Condition(COMMAND_ON_AT_START, t_ns, "its instant is not known"))
        self._builder.add(Command(bool(on), t_ns, t_ns, self._strokes))
        self._keep(COMMAND, 1 - on, last_look)

    def _keep(self, line: str, level: int, t_ns: int) -> None:
        """The last look before a change, until it is known whether every look has its row."""
        times, levels = self._before.setdefault(line, (array("q"), array("b")))
        times.append(t_ns)
        levels.append(level)

    def sample(self, channel: str, value: float | None, t_ns: int, believed: bool) -> None:
        """A reading in the channel's unit; None where there was one without a value."""
        self._builder.add(Sample(channel, value, t_ns, GOOD if believed else "bad"))

    def recording(self, says: Iterable[str], resolution_ns: int | None = None) -> Recording:
        """What was taken; it is known until the last time. `says` become conditions.

        `resolution_ns`: how finely the capture tells time, where it or a person states that.
        """
        if self.last_ns is not None:
            for kind in sorted(says):
                self._builder.add(Condition(kind, self.last_ns, "a comment in the file says so"))
            if resolution_ns is not None:
                self._builder.add(Condition(RESOLUTION, self.last_ns, f"{resolution_ns} ns"))
            self._add_looks(self.last_ns)
            self._builder.add(Step("last row", 0, self.last_ns))
        return self._builder.build()

    def _add_looks(self, at_ns: int) -> None:
        found = self._looks.every_ns()
        if found is None:
            return
        every_ns, digit_ns = found
        detail = f"{digit_ns} ns is the last digit of a stamp; a row about every "
        self._builder.add(Condition(SAMPLED, at_ns, f"{detail}{every_ns / 1e6:.6g} ms"))
        for line, (times, levels) in self._before.items():
            for t_ns, level in zip(times, levels, strict=True):
                self._builder.add(Level(line, level, t_ns))
        self._before.clear()
