# SPDX-License-Identifier: MIT
"""A good setup and good sheets, and ways to spoil them."""

from __future__ import annotations

import re

SETUP = """\
title = "a rig"
backend = "simulated"
medium = "oil"
chip = "pinctrl-rp1"
[coil]
feed_side = "supply"
supply_voltage = "12.6 V"
fuse = "2 A"
resistance = "14.5 ohm"
[relay]
line = 17
operate_delay = "10 ms"
release_delay = "10 ms"
[switch]
line = 22
contact = "normally open"
pull = "up"
[readback]
line = 27
pull = "external"
voltage_reads = "high"
[gauge]
port = "/dev/ttyUSB0"
pattern = "{pressure} {unit}"
baud = 9600
period = "100 ms"
measuring_range = ["0 psi", "150 psi"]
expected_range = ["0 psi", "80 psi"]
accuracy = "1 psi"
[limits]
pressure = "100 psi"
on_time = "10 s"
duty = "60 %"
duty_window = "60 s"
gauge_stale = "500 ms"
readback_delay = "60 ms"
[simulated]
seed = 1
"""

STROKES = """\
kind = "strokes"
strokes = 10
on_time = "500 ms"
rest = "500 ms"
settle_wait = "2 s"
settle_window = "20 ms"
base_pressure_min = "20 psi"
[[accept]]
figure = "response"
of = "mean"
max = "150 ms"
min = "10 ms"
[[accept]]
figure = "missed"
max = 0
"""

HOLD = """\
kind = "hold"
state = "energised"
watch = "8 s"
[[accept]]
figure = "decay_rate"
max = "2 psi/s"
"""

RAMP = """\
kind = "ramp"
ramps = 3
coil = "released"
low = "10 psi"
high = "40 psi"
ramp_time_max = "30 s"
[[accept]]
figure = "differential"
min = "3 psi"
"""


def put(text: str, key: str, value: str | None) -> str:
    """`text` with `key` ("coil.fuse", "strokes") set to `value` as TOML, or taken out (None).

    A key that is not there is added below its table's head; the table is added where missing.
    """
    table, _, name = key.rpartition(".")
    lines = text.splitlines()
    head = f"[{table}]" if table else ""
    if head and head not in lines:
        lines.append(head)
    at, inside, place = None, not head, lines.index(head) + 1 if head else 0
    for n, line in enumerate(lines):
        if line.startswith("["):
            inside = line == head
        elif inside and re.match(rf"{re.escape(name)}\s*=", line):
            at = n
            break
    if at is not None:
        del lines[at]
        place = at
    if value is not None:
        lines.insert(place, f"{name} = {value}")
    return "\n".join(lines) + "\n"


def without(text: str, table: str) -> str:
    """`text` without a whole table."""
    kept, inside = [], False
    for line in text.splitlines():
        if line.startswith("["):
            inside = line == f"[{table}]"
        if not inside:
            kept.append(line)
    return "\n".join(kept) + "\n"
