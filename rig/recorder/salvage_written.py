# SPDX-License-Identifier: MIT
"""Copy what people wrote in a damaged run log to the new one: valves and jobs with their numbers,
tags, notes, and the list of photos and documents."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import Table, insert, select
from sqlalchemy.exc import DBAPIError

from rig.core.errors import RigError
from rig.recorder.salvage import BAD, Row, readable
from rig.runlog.store import RunLog
from rig.runlog.tables import attachments, carried_files, jobs, notes, runs, tags, valves, views

NAMED = (valves, jobs)
WRITTEN = (tags, notes, views, attachments, carried_files)


class Written:
    """What can be read of it, row by row: a bad row costs only itself."""

    def __init__(self, path: Path) -> None:
        self._torn: set[str] = set()
        names = [table.name for table in (*NAMED, *WRITTEN)]
        self._rows = readable(path, *names, torn=self._torn)

    def names(self, new: RunLog) -> None:
        """Copy valves and jobs, before the runs that refer to them."""
        for table in NAMED:
            for row in self._rows[table.name]:
                self._taken(new, table, row)

    def rest(self, new: RunLog, say: Callable[[str], None]) -> None:
        """Copy tags, notes, kept views and attachments of what was taken over; report what is
        lost."""
        with new._reading() as connection:
            known = {None, *connection.execute(select(runs.c.id)).scalars()}
        for table in WRITTEN:
            rows = self._rows[table.name]
            taken = sum(row.get("run_id") in known and self._taken(new, table, row) for row in rows)
            if taken < len(rows):
                say(f"{len(rows) - taken} rows of {table.name} could not be taken over.")
            if table.name in self._torn:
                say(
                    f"{table.name} of it cannot be read to the end: {taken} rows were taken over, "
                    "how many are lost is not known."
                )

    @staticmethod
    def _taken(new: RunLog, table: Table, row: Row) -> bool:
        columns = [column.name for column in table.columns if column.name in row]
        with contextlib.suppress(*BAD, RigError, DBAPIError):
            with new._writing() as connection:
                connection.execute(insert(table).values({name: row[name] for name in columns}))
            return True
        return False
