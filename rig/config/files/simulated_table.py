# SPDX-License-Identifier: MIT
"""Edit the `[simulated]` table in the text of a setup: insert faults, or leave it out.

A run is stored with the text of its setup, and everything that reads a run uses that text. So
faults given on the command line are written into it, and a person looking for a fault sees the text
without the table. Each result is parsed and checked; None if no way was found.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Sequence

from rig.config.plant.fault_names import Fault
from rig.core.json_values import JsonObject

TABLE = "simulated"
_HEAD = re.compile(r"\s*\[\s*simulated\s*\]")
_WIRING_HEAD = re.compile(r"\s*\[\s*simulated\s*\.\s*wiring\s*\]")
_ANY_HEAD = re.compile(r"\s*\[")
_OF_TABLE = re.compile(r"\s*\[\s*simulated\s*[.\]]")
_FAULT = re.compile(r"\s*fault\s*=")
REMARK = "  # given on the command line"
LONGEST_VALUE = 80
"""Lines that a value of `fault` may take."""


def with_faults(text: str, faults: Sequence[Fault], salt: str = "") -> str | None:
    """`text` with these faults replacing its own. `salt`: one line, appended as a remark, so that a
    person guessing the faults cannot confirm them by the hash of the text."""
    data = tomllib.loads(text)
    texts = [fault.text for fault in faults]
    wanted = {**data, TABLE: {**data.get(TABLE, {}), "fault": texts}}
    line = f"fault = {json.dumps(texts)}{REMARK}{salt and f' {salt}'}\n"
    found = (new for new in _written(text, line) if _parsed(new) == wanted)
    return next(found, None)


def with_timing_loop(text: str) -> str | None:
    """`text` with the loop of `rig calibrate --timing` wired; None if no way was found."""
    data = tomllib.loads(text)
    table = data.get(TABLE, {})
    wiring = {**table.get("wiring", {}), "timing_loop": True}
    wanted = {**data, TABLE: {**table, "wiring": wiring}}
    line, lines = "timing_loop = true\n", text.splitlines(keepends=True)
    ways = [f"{text}\n[{TABLE}.wiring]\n{line}", text]
    for n, each in enumerate(lines):
        if _WIRING_HEAD.match(each):
            ways.append("".join([*lines[: n + 1], line, *lines[n + 1 :]]))
    return next((new for new in ways if _parsed(new) == wanted), None)


def _written(text: str, line: str) -> Iterator[str]:
    """Ways to write `line` below the table's head."""
    lines = text.splitlines(keepends=True)
    if lines and not lines[-1].endswith(("\n", "\r")):
        lines[-1] += "\n"
    yield "".join([*lines, f"\n[{TABLE}]\n", line])
    for head in (n for n, each in enumerate(lines) if _HEAD.match(each)):
        yield "".join([*lines[: head + 1], line, *lines[head + 1 :]])
        for at in range(head + 1, len(lines)):
            if _FAULT.match(lines[at]):
                for end in range(at + 1, min(at + LONGEST_VALUE, len(lines)) + 1):
                    yield "".join([*lines[:at], line, *lines[end:]])


def without_table(text: str) -> str | None:
    """`text` without the table; unchanged if there is none."""
    data = _parsed(text)
    if data is None:
        return None
    if TABLE not in data:
        return text
    kept, inside = [], False
    for line in text.splitlines(keepends=True):
        if _ANY_HEAD.match(line):
            inside = _OF_TABLE.match(line) is not None
        if not inside:
            kept.append(line)
    left = "".join(kept)
    wanted = {key: value for key, value in data.items() if key != TABLE}
    return left if _parsed(left) == wanted else None


def _parsed(text: str) -> JsonObject | None:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return None
