# SPDX-License-Identifier: MIT
"""Purpose of a run, the figures by which a list of runs is sorted, and saved views of the list."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

Number: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")

FIGURES = {
    "response_n": "summary.response_ms.n", "response_max_ms": "summary.response_ms.max",
    "release_mean_ms": "summary.release_ms.mean", "release_n": "summary.release_ms.n",
    "missed": "counts.missed",
}  # fmt: skip
OWN_TIMING = "rig's own timing: resistor in the coil's place, load side led into the switch input"
"""Note of a `rig calibrate --timing` run from before runs had a purpose."""


def upgrade() -> None:
    options = {"sqlite_strict": True, "sqlite_autoincrement": True}
    with op.batch_alter_table("runs", recreate="always", table_kwargs=options) as runs:
        runs.add_column(sa.Column("purpose", sa.Text, nullable=False, server_default="valve"))
        runs.create_check_constraint(
            op.f("ck_runs_purpose"), "purpose IN ('valve', 'own timing', 'commissioning')"
        )
    bare = sa.text("UPDATE runs SET purpose = :purpose WHERE valve_id IS NULL AND note = :note")
    op.execute(bare.bindparams(purpose="own timing", note=OWN_TIMING))
    op.execute(
        "UPDATE runs SET purpose = 'commissioning' "
        "WHERE valve_id IS NULL AND sheet_name = 'commissioning'"
    )
    with op.batch_alter_table("results", recreate="always", table_kwargs=options) as results:
        for name in FIGURES:
            kind = Number if name.endswith("_ms") else sa.Integer()
            results.add_column(sa.Column(name, kind))
    if op.get_context().dialect.name == "sqlite":
        taken = ", ".join(f"{name} = {_number_at(name, at)}" for name, at in FIGURES.items())
        op.execute(f"UPDATE results SET {taken} WHERE json_valid(json)")  # noqa: S608 - our own
    op.create_table(
        "views",
        sa.Column("name", sa.Text, primary_key=True),
        sa.Column("question", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_views"),
        sqlite_strict=True,
    )
    for table, columns in (
        ("conditions", ["name", "number", "run_id"]),
        ("results", ["response_max_ms", "run_id"]),
        ("results", ["release_mean_ms", "run_id"]),
        ("results", ["missed", "run_id"]),
    ):
        op.create_index(f"ix_{table}_{'_'.join(columns)}", table, columns)


def _number_at(name: str, at: str) -> str:
    """SQL for a figure of a stored result. A value of the wrong type for its column is omitted, so
    that one odd result does not block the upgrade of the whole log."""
    kinds = "'integer', 'real'" if name.endswith("_ms") else "'integer'"
    return f"CASE WHEN json_type(json, '$.{at}') IN ({kinds}) THEN json_extract(json, '$.{at}') END"
