# SPDX-License-Identifier: MIT
"""Keeps raw records: an append-only file with a checksum a line, and the run log."""
