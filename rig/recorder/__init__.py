# SPDX-License-Identifier: MIT
"""Store raw records: in an append-only file with a checksum per line, and in the run log."""
