# SPDX-License-Identifier: MIT
"""The first form: valves, jobs, texts, runs, conditions, chunks, results."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

Nanoseconds = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
Number: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")
YesNo = sa.Boolean().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
        sa.UniqueConstraint("name", name=op.f("uq_jobs_name")),
        sqlite_strict=True,
    )
    op.create_table(
        "texts",
        sa.Column("hash", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("hash", name=op.f("pk_texts")),
        sqlite_strict=True,
    )
    op.create_table(
        "valves",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("tag", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), server_default="", nullable=False),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_valves")),
        sa.UniqueConstraint("tag", name=op.f("uq_valves_tag")),
        sqlite_strict=True,
    )
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("seed", Nanoseconds),
        sa.Column("status", sa.Text(), nullable=False),
        sa.Column("valve_id", sa.Integer()),
        sa.Column("job_id", sa.Integer()),
        sa.Column("person", sa.Text()),
        sa.Column("mount", sa.Integer()),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text()),
        sa.Column("setup_hash", sa.Text(), nullable=False),
        sa.Column("setup_name", sa.Text(), nullable=False),
        sa.Column("sheet_hash", sa.Text()),
        sa.Column("sheet_name", sa.Text()),
        sa.Column("software", sa.Text(), nullable=False),
        sa.Column("database", sa.Text(), nullable=False),
        sa.Column("wall_utc_s", Number, nullable=False),
        sa.Column("monotonic_ns", Nanoseconds, nullable=False),
        sa.Column("boot_id", sa.Text(), nullable=False),
        sa.Column("synchronised", YesNo),
        sa.Column("hardware", sa.Text(), nullable=False),
        sa.Column("watched", sa.Text(), nullable=False),
        sa.Column("not_watched", sa.Text(), nullable=False),
        sa.Column("confirmed_by", sa.Text()),
        sa.Column("confirmation", sa.Text()),
        sa.Column("confirmed_utc_s", Number),
        sa.Column("writer_pid", sa.Integer(), nullable=False),
        sa.Column("writer_started", Nanoseconds, nullable=False),
        sa.Column("writer_boot_id", sa.Text(), nullable=False),
        sa.Column("raw_file", sa.Text()),
        sa.Column("off_state", sa.Text()),
        sa.Column("end_t_ns", Nanoseconds),
        sa.Column("end_utc_s", Number),
        sa.Column("remark", sa.Text(), server_default="", nullable=False),
        sa.CheckConstraint(
            "source IN ('simulated', 'emulated board', 'board', 'capture')",
            name=op.f("ck_runs_source"),
        ),
        sa.CheckConstraint(
            "status IN ('running', 'finished', 'tripped', 'aborted', 'interrupted', 'fault')",
            name=op.f("ck_runs_status"),
        ),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_runs_job_id_jobs")),
        sa.ForeignKeyConstraint(
            ["setup_hash"], ["texts.hash"], name=op.f("fk_runs_setup_hash_texts")
        ),
        sa.ForeignKeyConstraint(
            ["sheet_hash"], ["texts.hash"], name=op.f("fk_runs_sheet_hash_texts")
        ),
        sa.ForeignKeyConstraint(["valve_id"], ["valves.id"], name=op.f("fk_runs_valve_id_valves")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_runs")),
        sa.UniqueConstraint("uid", name=op.f("uq_runs_uid")),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
    op.create_index("ix_runs_status", "runs", ["status"], unique=False)
    op.create_index("ix_runs_valve_id_id", "runs", ["valve_id", "id"], unique=False)
    op.create_table(
        "chunks",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("first_t_ns", Nanoseconds, nullable=False),
        sa.Column("last_t_ns", Nanoseconds, nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("crc32", Nanoseconds, nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint("n > 0 AND sequence > 0", name=op.f("ck_chunks_counts")),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_chunks_run_id_runs")),
        sa.PrimaryKeyConstraint("run_id", "sequence", name=op.f("pk_chunks")),
        sqlite_strict=True,
    )
    op.create_table(
        "conditions",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("number", Number),
        sa.Column("text", sa.Text()),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("how", sa.Text(), nullable=False),
        sa.CheckConstraint("how IN ('measured', 'typed')", name=op.f("ck_conditions_how")),
        sa.CheckConstraint(
            "(number IS NULL) <> (text IS NULL)", name=op.f("ck_conditions_one_value")
        ),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_conditions_run_id_runs")),
        sa.PrimaryKeyConstraint("run_id", "name", name=op.f("pk_conditions")),
        sqlite_strict=True,
    )
    op.create_table(
        "results",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("software", sa.Text(), nullable=False),
        sa.Column("created_utc_s", Number, nullable=False),
        sa.Column("json", sa.Text(), nullable=False),
        sa.Column("strokes", sa.Integer()),
        sa.Column("verdict", sa.Text()),
        sa.Column("response_mean_ms", Number),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"], name=op.f("fk_results_run_id_runs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_results")),
        sa.UniqueConstraint("run_id", "software", name=op.f("uq_results_run_id_software")),
        sqlite_autoincrement=True,
        sqlite_strict=True,
    )
