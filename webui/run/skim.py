# SPDX-License-Identifier: MIT
"""What a run's page needs from the raw records before anything is drawn, without decoding them all:
a run of a thousand strokes opens about as fast as one of ten."""

from __future__ import annotations

from dataclasses import dataclass, field

from rig.core.clock import NS_PER_MS
from rig.core.records import READBACK, Command, Condition, Trip, decode
from rig.runlog.store import StoredRun

WHOLE = frozenset(b"CNT")
"""Tags of the records that are all decoded: commands, conditions, trips."""
BY_NAME = frozenset(b"ELSB")
"""Those that a recording keeps apart by line or channel, the second field."""
FIRSTS = frozenset(b"ELSBCNP")
"""Those that the time axis may begin with."""


@dataclass
class Skimmed:
    """`t0_ns` is that of the whole recording (Recording.t0_ns); `strokes` were commanded; `last`
    tells whether anything follows the first instant; `readback`: the line has records."""

    t0_ns: int = 0
    strokes: int = 0
    last: bool = False
    readback: bool = False
    conditions: list[Condition] = field(default_factory=list)
    trips: list[Trip] = field(default_factory=list)

    def ms(self, t_ns: int) -> float:
        """Milliseconds since the recording's first record."""
        return round((t_ns - self.t0_ns) / NS_PER_MS, 6)


def skim(stored: StoredRun) -> Skimmed:
    """Skim the records of `stored`. Raises StorageError, and ValueError for an invalid record."""
    found = Skimmed()
    firsts: list[int] = []
    seen: set[bytes] = set()
    n = 0
    for text in stored.chunks():
        for line in text.split(b"\n"):
            if not line:
                continue
            n += 1
            tag = line[2]
            key = line[: line.find(b",", 5)] if tag in BY_NAME else line[:4]
            if key in seen and tag not in WHOLE:
                continue
            record = decode(line)
            if key not in seen:
                seen.add(key)
                if tag in FIRSTS:
                    firsts.append(record.t_ns)
                found.readback |= getattr(record, "line", None) == READBACK
            match record:
                case Command(on=True, stroke=stroke) if stroke > 0:
                    found.strokes += 1
                case Condition():
                    found.conditions.append(record)
                case Trip():
                    found.trips.append(record)
    found.t0_ns, found.last = min(firsts, default=0), n > 1
    return found
