# SPDX-License-Identifier: MIT
"""What happened to the clocks during a run: the wall clock's step, and sleep."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

Number: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")


def upgrade() -> None:
    options = {"sqlite_strict": True, "sqlite_autoincrement": True}
    with op.batch_alter_table("runs", recreate="always", table_kwargs=options) as runs:
        runs.add_column(sa.Column("clock_step_s", Number))
        runs.add_column(sa.Column("slept_s", Number))
