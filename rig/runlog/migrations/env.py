# SPDX-License-Identifier: MIT
"""Run by Alembic for each upgrade, on the connection and in the transaction of `schema.upgrade`."""

from alembic import context

from rig.runlog.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
)
context.run_migrations()
