# SPDX-License-Identifier: MIT
"""Captures: import and export recordings as files. Needs no database."""

from rig.captures.csv_in import CapturedRun, Plan, read_csv
from rig.captures.csv_out import write_csv
from rig.captures.json_out import write_json
from rig.captures.reading import plan_capture, read_capture, stated_resolution_ns
from rig.captures.vcd_in import read_vcd
from rig.captures.vcd_out import write_vcd

__all__ = [
    "CapturedRun", "Plan", "plan_capture", "read_capture", "read_csv", "read_vcd",
    "stated_resolution_ns", "write_csv",
    "write_json", "write_vcd",
]  # fmt: skip
