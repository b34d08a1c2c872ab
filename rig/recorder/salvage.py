# SPDX-License-Identifier: MIT
"""Copy what can still be read of a damaged run log, row by row, into a new one."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.core.clock import ClockChange, WallTime
from rig.core.errors import RigError
from rig.core.records import OFF_STATES, End
from rig.recorder.restore import close, named_anew, unknown_header
from rig.runlog import remarks
from rig.runlog.engine import connect
from rig.runlog.header import PURPOSES, RunHeader
from rig.runlog.schema import LATEST_UTC_S
from rig.runlog.store import RunLog, chunk_text
from rig.runlog.tables import STATUSES

if TYPE_CHECKING:
    pass

Row = Mapping[str, Any]
ENDS = ("finished", "tripped", "aborted")
PROBE_MOST = 20_000
"""Largest number of rows between two readable ones that are tried one by one."""
BAD = (RigError, sqlite3.Error, LookupError, TypeError, ValueError, ArithmeticError)
"""Errors that reading rows of a damaged table can raise."""


class Salvage:
    """Reads the log at `path` without trusting anything in it: an unreadable page costs only its
    own rows, a chunk that does not match its checksum only its own records."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._chunks: dict[int, dict[int, Row]] = {}
        self.unreadable = 0
        """Runs of which only records can be read."""

    def take_over(self, new: RunLog, say: Callable[[str], None]) -> dict[int, int]:
        """Copy the readable runs, keeping their numbers. For each run copied in part, returns how
        many records it should have."""
        tables = self._tables()
        for row in tables["chunks"]:
            with contextlib.suppress(*BAD):
                self._chunks.setdefault(int(row["run_id"]), {})[int(row["sequence"])] = row
        not_whole: dict[int, int] = {}
        taken = 0
        for row in tables["runs"]:
            try:
                number = int(row["id"])
                header = _header(row, tables)
            except BAD:
                continue
            expected = self._copy(new, number, header, row, tables)
            if expected is None:
                continue
            taken += 1
            if expected:
                not_whole[number] = expected
        if taken:
            say(f"{taken} runs were taken over from it under their numbers.")
        else:
            say("Nothing can be read of it; its runs come from the raw files and get new numbers.")
        return not_whole

    def _copy(
        self, new: RunLog, number: int, header: RunHeader, row: Row, tables: Mapping[str, list[Row]]
    ) -> int | None:
        """Copy a run; returns its expected number of records if some are missing, else 0; None if
        its row cannot be used."""
        if number < 1 or new.uid_of(header.uid) is not None:
            return None
        raw_file = row["raw_file"] if isinstance(row["raw_file"], str) else None
        new.begin_run(header, raw_file, number)
        stored = self._chunks.pop(number, {})
        lines, expected = self._lines(stored)
        if lines:
            new.replace_records(number, lines)
        ends = row["status"] in ENDS and header.source != "capture"
        if ends and not (lines and lines[-1].startswith(b'["Z",')):
            expected = max(expected, len(lines) + 1)  # a run that ended has a record of its end
        status = row["status"] if row["status"] in STATUSES else "fault"
        status = "interrupted" if status == "running" else status
        remark = f"{row['remark'] or ''} Taken over from a damaged run log.".strip()
        if len(lines) < expected:
            status, remark = "fault", f"{remark} {len(lines)} of {expected} records could be read."
        new.end_run(number, status, _end(row), remark, _clock(row), _number(row["end_utc_s"]))
        remarks.set_removed(new, number, _number(row.get("removed_utc_s")))
        if len(lines) < expected:
            return expected
        self._copy_result(new, number, header, tables["results"])
        return 0

    def _lines(self, stored: Mapping[int, Row]) -> tuple[list[bytes], int]:
        """Good records of a run in order, and how many there should be."""
        lines: list[bytes] = []
        expected = 0
        for at in sorted(stored):
            row = stored[at]
            text = chunk_text(row["crc32"], row["data"])
            lines += (text or b"").splitlines()
            expected += row["n"] if isinstance(row["n"], int) and row["n"] > 0 else 1
        missing = max(stored, default=0) - len(stored)  # at least one record each
        return lines, expected + max(0, missing)

    def _copy_result(self, new: RunLog, number: int, header: RunHeader, rows: list[Row]) -> None:
        own = [row for row in rows if row["run_id"] == number]
        with contextlib.suppress(*BAD):  # else it is computed again
            result = json.loads(own[-1]["json"])
            if isinstance(result, dict):
                new.save_result(number, result, header.software)

    def take_orphans(self, new: RunLog, say: Callable[[str], None]) -> None:
        """Enter records whose run cannot be read, and that no raw file restored, as runs labelled
        as such."""
        known: set[bytes] | None = None
        for number, stored in sorted(self._chunks.items()):
            lines, _ = self._lines(stored)
            if known is None:
                known = {line for row in new.runs(1 << 31) for line in new.good_lines(row.id)[0]}
            lines = [line for line in lines if line not in known]
            if not lines:
                continue
            header = unknown_header(self._path.with_name(f"{self._path.name}-run-{number}"), lines)
            if new.uid_of(header.uid) is not None:
                continue
            run_id = new.begin_run(header)
            new.replace_records(run_id, lines)
            close(new, run_id, lines, "Its header in a damaged run log could not be read.", True)
            say(
                f"Run {number} of it cannot be read; {len(lines)} records are kept as run {run_id}."
            )
            self.unreadable += 1

    # -- reading

    def _tables(self) -> dict[str, list[Row]]:
        return readable(
            self._path, "runs", "chunks", "texts", "valves", "jobs", "conditions", "results"
        )


def readable(path: Path, *names: str, torn: set[str] | None = None) -> dict[str, list[Row]]:
    """Every readable row of these tables of the damaged log at `path`. Adds to `torn` the tables
    with unreadable rows, whose number is unknown."""
    torn = set() if torn is None else torn
    found: dict[str, list[Row]] = {name: [] for name in names}
    try:
        with contextlib.closing(connect(path, write=False)) as db:
            db.text_factory = lambda data: data.decode("utf-8", "replace")
            db.row_factory = sqlite3.Row
            for name in names:
                found[name] = [dict(row) for row in _rows(db, name, torn)]
    except (sqlite3.Error, ValueError):
        torn.update(names)
    return found


def _rows(db: sqlite3.Connection, table: str, torn: set[str]) -> Iterator[sqlite3.Row]:
    """Rows in order of rowid: from both ends towards the damage, then one by one in between."""
    query = f"SELECT rowid AS at, * FROM {table}"  # noqa: S608 - names of our own
    below, up = _until_damage(db, f"{query} ORDER BY rowid")
    yield from up
    if below is None:
        return
    if "no such table" in str(below):  # a log of an earlier form lacks it
        return
    torn.add(table)
    _, down = _until_damage(db, f"{query} ORDER BY rowid DESC")
    last = up[-1]["at"] if up else 0
    first = down[-1]["at"] if down else last + PROBE_MOST
    seen = {row["at"] for row in up}
    for at in range(last + 1, min(first, last + PROBE_MOST)):
        _, one = _until_damage(db, f"{query} WHERE rowid = {at}")
        yield from one
    yield from (row for row in reversed(down) if row["at"] not in seen)


def _until_damage(db: sqlite3.Connection, query: str) -> tuple[Exception | None, list[sqlite3.Row]]:
    rows: list[sqlite3.Row] = []
    try:
        for row in db.execute(query):
            rows.append(row)
    except (sqlite3.Error, ValueError) as error:  # an error's text may be damaged too
        return error, rows
    return None, rows


# -- rows into what they mean


def _header(row: Row, tables: Mapping[str, list[Row]]) -> RunHeader:
    """The header from a row of `runs`. Raises one of BAD."""
    texts = {text["hash"]: text["text"] for text in tables["texts"]}
    sheet_text = texts.get(row["sheet_hash"])
    sheet_hash = row["sheet_hash"] if sheet_text is not None else None
    given = [item for item in tables["conditions"] if item["run_id"] == row["id"]]
    same = ("source", "seed", "mount", "confirmed_by", "confirmation", "confirmed_utc_s")
    header = RunHeader(
        **{name: row[name] for name in same},
        by=row["person"],
        note=str(row["note"]),
        purpose=row.get("purpose", PURPOSES[0]),  # a log of an earlier form lacks it
        valve=_named(tables["valves"], row["valve_id"], "tag"),
        job=_named(tables["jobs"], row["job_id"], "name"),
        conditions={
            item["name"]: {
                "value": item["number"] if item["text"] is None else item["text"],
                "unit": item["unit"],
                "how": item["how"],
            }
            for item in given
        },
        setup_text=texts.get(row["setup_hash"], ""),
        setup_hash="",
        setup_name=str(row["setup_name"]),
        sheet_text=sheet_text,
        sheet_hash=sheet_hash,
        sheet_name=row["sheet_name"] if sheet_hash is not None else None,
        software=str(row["software"]),
        wall=WallTime(
            _date(row["wall_utc_s"]), int(row["monotonic_ns"]), str(row["boot_id"]),
            None if row["synchronised"] is None else bool(row["synchronised"]),
        ),
        hardware=_parsed(row["hardware"], {}),
        watched=_parsed(row["watched"], []),
        not_watched=_parsed(row["not_watched"], []),
        uid=str(row["uid"]),
    )  # fmt: skip
    for name in (field.name for field in fields(header)):
        value = getattr(header, name)
        if name in ("seed", "mount") and not (value is None or isinstance(value, int)):
            raise TypeError(name)
    return named_anew(header)


def _named(rows: list[Row], number: object, column: str) -> str | None:
    found = [row[column] for row in rows if row["id"] == number and number is not None]
    return str(found[0]) if found else None


def _parsed(text: Any, default: object) -> Any:
    with contextlib.suppress(*BAD):
        value = json.loads(text)
        if isinstance(value, type(default)):
            return value
    return default


def _end(row: Row) -> End | None:
    if row["off_state"] not in OFF_STATES or not isinstance(row["end_t_ns"], int):
        return None
    return End(str(row["status"]), row["off_state"], row["end_t_ns"])


def _clock(row: Row) -> ClockChange | None:
    step, slept = _number(row.get("clock_step_s")), _number(row.get("slept_s"))
    return None if step is None or slept is None else ClockChange(step, slept)


def _date(value: object) -> float:
    """Seconds since 1970; 0 if no run can have started then."""
    number = _number(value)
    return number if number is not None and 0 <= number <= LATEST_UTC_S else 0.0


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None
