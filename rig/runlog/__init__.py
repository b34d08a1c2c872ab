# SPDX-License-Identifier: MIT
"""The run log: what was run, on which part, with every raw record of it."""
