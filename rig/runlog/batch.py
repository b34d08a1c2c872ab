# SPDX-License-Identifier: MIT
"""Results of a list of valves: each one's newest run since the list was begun, with its own setup
and sheet."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from sqlalchemy import func, select

from rig.core.state_file import Owner
from rig.runlog.listing import newest_verdict
from rig.runlog.store import RunLog
from rig.runlog.tables import runs, valves

ASKED_AT_ONCE = 500
"""Names per database query, which accepts a limited number."""


Other = Callable[[str, str | None], str]
"""From the names of a run's setup and sheet files: which differs from the one asked for, else
empty."""


class Outcome(NamedTuple):
    """The newest run of a valve that counts, else the newest. `verdict` is None if the run has no
    result; `other` says what differs from what was asked for: such a run does not count."""

    run: int
    status: str
    verdict: str | None
    source: str
    other: str = ""

    @property
    def done(self) -> bool:
        """Whether the sheet was completed: a stopped or tripped run is repeated."""
        return self.status == "finished" and not self.other


def newest_number(log: RunLog) -> int:
    """The number of the newest run, on the list or removed from it; 0 in an empty log."""
    with log._reading() as connection:
        return int(connection.execute(select(func.max(runs.c.id))).scalar() or 0)


def outcomes(
    log: RunLog, tags: Sequence[str], after: int, other: Other = lambda _setup, _sheet: ""
) -> dict[str, Outcome]:
    """By tag, the newest run with a number above `after`; runs with the setup and sheet asked for
    come before any others. Tags without one are left out. A run removed from the list does not
    count."""
    found: dict[str, Outcome] = {}
    query = (
        select(valves.c.tag, runs.c.id, runs.c.status, newest_verdict(runs), runs.c.source,
               runs.c.setup_name, runs.c.sheet_name, runs.c.writer_pid, runs.c.writer_started,
               runs.c.writer_boot_id)
        .join(valves, runs.c.valve_id == valves.c.id)
        .where(runs.c.id > after, runs.c.removed_utc_s.is_(None))
        .order_by(runs.c.id)
    )  # fmt: skip
    with log._reading() as connection:
        for first in range(0, len(tags), ASKED_AT_ONCE):
            some = valves.c.tag.in_(tags[first : first + ASKED_AT_ONCE])
            rows = connection.execute(query.where(some))
            for tag, run, status, judged, source, setup, sheet, *owner in rows:
                not_this = other(setup, sheet)
                if not_this and tag in found and not found[tag].other:
                    continue
                gone = status == "running" and not Owner(*owner).alive()
                state = "interrupted" if gone else status
                found[tag] = Outcome(run, state, judged, source, not_this)
    return found
