# SPDX-License-Identifier: MIT
"""Steps from one form of the run log to the next (Alembic)."""
