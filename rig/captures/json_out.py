# SPDX-License-Identifier: MIT
"""Write a result and the records behind it as one JSON file."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from typing import TextIO

import numpy as np
from numpy.typing import NDArray

from rig.captures.columns import notice
from rig.core.atomic_file import whole_file
from rig.core.recording import Recording
from rig.core.records import CHANNEL_UNITS

AT_ONCE = 65_536
Columns = Mapping[str, NDArray[np.generic]]
VERSION = 1


def write_json(
    result: Mapping[str, object], recording: Recording, path: str | os.PathLike[str]
) -> None:
    """`{version, source, notice, result, records}`. Replaces `path`.

    Times `t_ns` are whole nanoseconds from `t0_ns`, so that they stay exact in a reader whose
    numbers are doubles. Levels are electrical; `switch_closed_level` and `readback_live_level` give
    their meaning. The converter's fast channels also have the raw codes, in step with the samples,
    and half the longest transfer (`half_ns`). The file never contains NaN: a reading without a
    value is null.
    """
    with whole_file(path) as file:
        file.write("{\n")
        _member(file, "version", VERSION)
        _member(file, "source", recording.shown_source)
        _member(file, "notice", notice(recording.shown_source) or None)
        _member(file, "result", result)
        file.write('"records": {\n')
        for name in ("t0_ns", "switch_closed_level", "readback_live_level"):
            _member(file, name, getattr(recording, name))
        t0_ns, commands = recording.t0_ns, recording.commands
        _columns(
            file, "commands",
            {
                "t_ns": commands.t_ns - t0_ns, "done_ns": commands.done_ns - t0_ns,
                "on": commands.on, "stroke": commands.stroke,
            },
        )  # fmt: skip
        file.write(",\n")
        _group(file, "edges", {
            line: {"t_ns": e.t_ns - t0_ns, "level": e.level, "sequence": e.sequence}
            for line, e in recording.edges.items()
        })  # fmt: skip
        _group(file, "levels", {
            line: {"t_ns": polls.t_ns - t0_ns, "level": polls.level}
            for line, polls in recording.levels.items()
        })  # fmt: skip
        _group(file, "samples", {
            f"{channel} {CHANNEL_UNITS[channel]}": {
                "t_ns": s.t_ns - t0_ns, "value": s.value, "good": s.good,
            }
            for channel, s in recording.samples.items()
        })  # fmt: skip
        if recording.fast:
            _group(file, "codes", {
                channel: {"code": fast.codes} for channel, fast in recording.fast.items()
            })  # fmt: skip
            halves = {channel: fast.half_ns for channel, fast in recording.fast.items()}
            _member(file, "half_ns", halves)
        for name in ("conditions", "steps", "trips"):
            rows = [row._asdict() | {"t_ns": row.t_ns - t0_ns} for row in getattr(recording, name)]
            _member(file, name, rows)
        end = recording.end
        ended = None if end is None else end._asdict() | {"t_ns": end.t_ns - t0_ns}
        _member(file, "end", ended, last=True)
        file.write("}\n}\n")


def _member(file: TextIO, name: str, value: object, *, last: bool = False) -> None:
    text = json.dumps(value, allow_nan=False, ensure_ascii=False)
    file.write(f'"{name}": {text}{"" if last else ","}\n')


def _group(file: TextIO, name: str, members: Mapping[str, Columns]) -> None:
    file.write(f'"{name}": {{')
    for place, (key, columns) in enumerate(members.items()):
        file.write("," if place else "")
        file.write("\n")
        _columns(file, key, columns)
    file.write("},\n")


def _columns(file: TextIO, name: str, columns: Columns) -> None:
    """Columns as arrays, one part at a time, so that a long run is never held as text."""
    file.write(f"{json.dumps(name)}: {{")
    for place, (key, column) in enumerate(columns.items()):
        file.write(f'{"," if place else ""}\n"{key}": [')
        for start in range(0, len(column), AT_ONCE):
            part = column[start : start + AT_ONCE]
            values = part.tolist()
            if part.dtype == np.float64:
                values = [v if v == v else None for v in values]
            text = json.dumps(values, allow_nan=False)[1:-1]
            file.write(f"{',' if start else ''}{text}")
        file.write("]")
    file.write("}")
