# SPDX-License-Identifier: MIT
"""The run log: what was run, on which part, with all its raw records."""
