# SPDX-License-Identifier: MIT
"""Tables of the run log in their present form; migrations (migrations/versions) create them.

SQLite tables are STRICT, so a text in a number column is refused instead of kept, and a NaN (which
SQLite turns into NULL) cannot enter a column that must hold a number. The same metadata renders for
PostgreSQL.
"""

from __future__ import annotations

from sqlalchemy import (
    REAL,
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.types import TypeEngine

from rig.runlog.header import PURPOSES

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
"""Needed from the first revision: a constraint without a name cannot be dropped later."""

STATUSES = ("running", "finished", "tripped", "aborted", "interrupted", "fault")

metadata = MetaData(naming_convention=NAMING)

# Types accepted by both STRICT SQLite and PostgreSQL.
Whole = Integer()
Nanoseconds = BigInteger().with_variant(Integer(), "sqlite")
Number: TypeEngine[float] = Double().with_variant(REAL(), "sqlite")
YesNo = Boolean().with_variant(Integer(), "sqlite")
Bytes = LargeBinary()


def _one_of(column: str, values: tuple[str, ...]) -> str:
    return f"{column} IN ({', '.join(repr(value) for value in values)})"


valves = Table(
    "valves",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("tag", Text, nullable=False, unique=True),
    Column("kind", Text, nullable=False, server_default=""),
    Column("notes", Text, nullable=False, server_default=""),
    sqlite_strict=True,
)

jobs = Table(
    "jobs",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("notes", Text, nullable=False, server_default=""),
    Column("complaint", Text, nullable=False, server_default=""),  # in the customer's words
    Column("repair", Text, nullable=False, server_default=""),  # what was done
    sqlite_strict=True,
)

texts = Table(  # setups and sheets as they were, each stored once
    "texts",
    metadata,
    Column("hash", Text, primary_key=True),
    Column("text", Text, nullable=False),
    sqlite_strict=True,
)

runs = Table(
    "runs",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("uid", Text, nullable=False, unique=True),
    Column("source", Text, nullable=False),
    Column("seed", Nanoseconds),
    Column("status", Text, nullable=False),
    Column("valve_id", Whole, ForeignKey("valves.id")),
    Column("job_id", Whole, ForeignKey("jobs.id")),
    Column("person", Text),
    Column("mount", Whole),
    Column("note", Text, nullable=False),
    Column("kind", Text),
    Column("setup_hash", Text, ForeignKey("texts.hash"), nullable=False),
    Column("setup_name", Text, nullable=False),
    Column("sheet_hash", Text, ForeignKey("texts.hash")),
    Column("sheet_name", Text),
    Column("software", Text, nullable=False),
    Column("database", Text, nullable=False),  # engine and version that wrote it
    Column("wall_utc_s", Number, nullable=False),
    Column("monotonic_ns", Nanoseconds, nullable=False),
    Column("boot_id", Text, nullable=False),
    Column("synchronised", YesNo),
    Column("hardware", Text, nullable=False),  # JSON, as are the next two
    Column("watched", Text, nullable=False),
    Column("not_watched", Text, nullable=False),
    Column("confirmed_by", Text),
    Column("confirmation", Text),
    Column("confirmed_utc_s", Number),
    Column("writer_pid", Whole, nullable=False),
    Column("writer_started", Nanoseconds, nullable=False),
    Column("writer_boot_id", Text, nullable=False),
    Column("raw_file", Text),
    Column("off_state", Text),
    Column("end_t_ns", Nanoseconds),
    Column("end_utc_s", Number),
    Column("remark", Text, nullable=False, server_default=""),
    Column("clock_step_s", Number),  # core.clock.ClockChange; NULL if unknown
    Column("slept_s", Number),
    Column("removed_utc_s", Number),  # when it was removed from the list; nothing is ever deleted
    Column("purpose", Text, nullable=False, server_default="valve"),
    CheckConstraint(
        _one_of("source", ("simulated", "emulated board", "board", "capture")), name="source"
    ),
    CheckConstraint(_one_of("status", STATUSES), name="status"),
    CheckConstraint(_one_of("purpose", PURPOSES), name="purpose"),
    Index("ix_runs_valve_id_id", "valve_id", "id"),
    Index("ix_runs_status", "status"),
    Index("ix_runs_job_id_id", "job_id", "id"),
    Index("ix_runs_person_id", "person", "id"),
    Index("ix_runs_source_id", "source", "id"),
    Index("ix_runs_wall_utc_s", "wall_utc_s"),
    sqlite_autoincrement=True,  # a run's number is never reused
    sqlite_strict=True,
)

conditions = Table(
    "conditions",
    metadata,
    Column("run_id", Whole, ForeignKey("runs.id"), primary_key=True),
    Column("name", Text, primary_key=True),
    Column("number", Number),
    Column("text", Text),
    Column("unit", Text, nullable=False),
    Column("how", Text, nullable=False),
    CheckConstraint("(number IS NULL) <> (text IS NULL)", name="one_value"),
    CheckConstraint(_one_of("how", ("measured", "typed")), name="how"),
    Index("ix_conditions_name_number_run_id", "name", "number", "run_id"),
    sqlite_strict=True,
)

chunks = Table(
    "chunks",
    metadata,
    Column("run_id", Whole, ForeignKey("runs.id"), primary_key=True),
    Column("sequence", Whole, primary_key=True),
    Column("first_t_ns", Nanoseconds, nullable=False),
    Column("last_t_ns", Nanoseconds, nullable=False),
    Column("n", Whole, nullable=False),
    Column("crc32", Nanoseconds, nullable=False),  # of the text, before compression
    Column("data", Bytes, nullable=False),  # zlib
    CheckConstraint("n > 0 AND sequence > 0", name="counts"),
    sqlite_strict=True,
)

results = Table(
    "results",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("run_id", Whole, ForeignKey("runs.id"), nullable=False),
    Column("software", Text, nullable=False),
    Column("created_utc_s", Number, nullable=False),
    Column("json", Text, nullable=False),
    # copied from the JSON, so that a list of runs need not read it
    Column("strokes", Whole),
    Column("verdict", Text),
    Column("response_mean_ms", Number),
    Column("response_n", Whole),
    Column("response_max_ms", Number),
    Column("release_mean_ms", Number),
    Column("release_n", Whole),
    Column("missed", Whole),
    UniqueConstraint("run_id", "software"),
    Index("ix_results_verdict_run_id", "verdict", "run_id"),
    Index("ix_results_response_mean_ms_run_id", "response_mean_ms", "run_id"),
    Index("ix_results_response_max_ms_run_id", "response_max_ms", "run_id"),
    Index("ix_results_release_mean_ms_run_id", "release_mean_ms", "run_id"),
    Index("ix_results_missed_run_id", "missed", "run_id"),
    sqlite_autoincrement=True,
    sqlite_strict=True,
)

tags = Table(
    "tags",
    metadata,
    Column("run_id", Whole, ForeignKey("runs.id"), primary_key=True),
    Column("tag", Text, primary_key=True),
    Index("ix_tags_tag_run_id", "tag", "run_id"),
    sqlite_strict=True,
)

notes = Table(  # written after the run; the run's own note stays as it was
    "notes",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("run_id", Whole, ForeignKey("runs.id"), nullable=False),
    Column("written_utc_s", Number, nullable=False),
    Column("by", Text, nullable=False),
    Column("text", Text, nullable=False),
    Index("ix_notes_run_id", "run_id"),
    sqlite_strict=True,
)

views = Table(  # what was asked of the list of runs, kept under a name
    "views",
    metadata,
    Column("name", Text, primary_key=True),
    Column("question", Text, nullable=False),  # as in the page's address
    sqlite_strict=True,
)

FILE_TYPES = ("image/jpeg", "application/pdf", "text/plain")

attachments = Table(  # photos and documents; their content is beside the log, under its hash
    "attachments",
    metadata,
    Column("id", Whole, primary_key=True),
    Column("run_id", Whole, ForeignKey("runs.id")),
    Column("valve_id", Whole, ForeignKey("valves.id")),
    Column("job_id", Whole, ForeignKey("jobs.id")),
    Column("hash", Text, nullable=False),  # SHA-256 of the content
    Column("name", Text, nullable=False),
    Column("type", Text, nullable=False),
    Column("bytes", Whole, nullable=False),
    Column("width", Whole),
    Column("height", Whole),
    Column("added_utc_s", Number, nullable=False),
    Column("by", Text, nullable=False),
    Column("words", Text, nullable=False),
    Column("in_report", YesNo, nullable=False),
    CheckConstraint(
        "(CASE WHEN run_id IS NULL THEN 0 ELSE 1 END"
        " + CASE WHEN valve_id IS NULL THEN 0 ELSE 1 END"
        " + CASE WHEN job_id IS NULL THEN 0 ELSE 1 END) = 1",
        name="one_owner",
    ),
    CheckConstraint(_one_of("type", FILE_TYPES), name="type"),
    Index("ix_attachments_run_id", "run_id"),
    Index("ix_attachments_valve_id", "valve_id"),
    Index("ix_attachments_job_id", "job_id"),
    Index("ix_attachments_hash", "hash"),
    sqlite_autoincrement=True,  # a published address never shows another file
    sqlite_strict=True,
)

carried_files = Table(  # in copies only: the files beside the log, so that a copy is one file
    "carried_files",
    metadata,
    Column("name", Text, primary_key=True),  # path relative to the log's folder
    Column("sha256", Text, nullable=False),
    Column("data", Bytes, nullable=False),
    sqlite_strict=True,
)
