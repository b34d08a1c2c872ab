# SPDX-License-Identifier: MIT
"""Photos and documents on a run, a valve or a job; a job's complaint and repair."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

Number: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")
YesNo = sa.Boolean().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    with op.batch_alter_table(
        "jobs", recreate="always", table_kwargs={"sqlite_strict": True}
    ) as jobs:
        jobs.add_column(sa.Column("complaint", sa.Text, nullable=False, server_default=""))
        jobs.add_column(sa.Column("repair", sa.Text, nullable=False, server_default=""))
    op.create_table(
        "attachments",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("run_id", sa.Integer, sa.ForeignKey(
            "runs.id", name="fk_attachments_run_id_runs")),
        sa.Column("valve_id", sa.Integer, sa.ForeignKey(
            "valves.id", name="fk_attachments_valve_id_valves")),
        sa.Column("job_id", sa.Integer, sa.ForeignKey(
            "jobs.id", name="fk_attachments_job_id_jobs")),
        sa.Column("hash", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("type", sa.Text, nullable=False),
        sa.Column("bytes", sa.Integer, nullable=False),
        sa.Column("width", sa.Integer),
        sa.Column("height", sa.Integer),
        sa.Column("added_utc_s", Number, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("words", sa.Text, nullable=False),
        sa.Column("in_report", YesNo, nullable=False),
        sa.CheckConstraint(
            "(CASE WHEN run_id IS NULL THEN 0 ELSE 1 END"
            " + CASE WHEN valve_id IS NULL THEN 0 ELSE 1 END"
            " + CASE WHEN job_id IS NULL THEN 0 ELSE 1 END) = 1",
            name=op.f("ck_attachments_one_owner")),
        sa.CheckConstraint(
            "type IN ('image/jpeg', 'application/pdf', 'text/plain')",
            name=op.f("ck_attachments_type")),
        sa.PrimaryKeyConstraint("id", name="pk_attachments"),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )  # fmt: skip
    op.create_table(
        "carried_files",
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_carried_files"),
        sqlite_strict=True,
    )
    for column in ("run_id", "valve_id", "job_id", "hash"):
        op.create_index(f"ix_attachments_{column}", "attachments", [column])
