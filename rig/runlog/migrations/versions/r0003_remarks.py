# SPDX-License-Identifier: MIT
"""Tags and notes written later, runs taken off the list, and indexes for searching the list."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

Number: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    options = {"sqlite_strict": True, "sqlite_autoincrement": True}
    with op.batch_alter_table("runs", recreate="always", table_kwargs=options) as runs:
        runs.add_column(sa.Column("removed_utc_s", Number))  # NULL: not removed
    op.create_table(
        "tags",
        sa.Column("run_id", sa.Integer, sa.ForeignKey(
            "runs.id", name="fk_tags_run_id_runs"), nullable=False),
        sa.Column("tag", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("run_id", "tag", name="pk_tags"),
        sqlite_strict=True,
    )  # fmt: skip
    op.create_table(
        "notes",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("run_id", sa.Integer, sa.ForeignKey(
            "runs.id", name="fk_notes_run_id_runs"), nullable=False),
        sa.Column("written_utc_s", Number, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_notes"),
        sqlite_strict=True,
    )  # fmt: skip
    for name, table, columns in (
        ("ix_tags_tag_run_id", "tags", ["tag", "run_id"]),
        ("ix_notes_run_id", "notes", ["run_id"]),
        ("ix_runs_job_id_id", "runs", ["job_id", "id"]),
        ("ix_runs_person_id", "runs", ["person", "id"]),
        ("ix_runs_source_id", "runs", ["source", "id"]),
        ("ix_runs_wall_utc_s", "runs", ["wall_utc_s"]),
        ("ix_results_verdict_run_id", "results", ["verdict", "run_id"]),
        ("ix_results_response_mean_ms_run_id", "results", ["response_mean_ms", "run_id"]),
    ):
        op.create_index(name, table, columns)
