# SPDX-License-Identifier: MIT
"""Analysis: pure functions of a recording, a setup and a sheet. No clock, no input or output."""
