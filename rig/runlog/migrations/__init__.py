# SPDX-License-Identifier: MIT
"""Steps from one form of the run log to the next (Alembic).

A new step goes into versions/ and its number into schema.REVISIONS. SQLite changes a table by
rebuilding it: `op.batch_alter_table` must then be given the table's options again, as
`table_kwargs` (`sqlite_strict`, and `sqlite_autoincrement` if tables.py has it), because not every
version of the libraries reads them back.
"""
