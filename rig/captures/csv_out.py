# SPDX-License-Identifier: MIT
"""Write a recording as a CSV that `read_csv` reads back with the same times to the nanosecond."""

from __future__ import annotations

import csv
import math
import os

from rig.captures.changes import changes, last_ns
from rig.captures.columns import CHANNELS, PRESSURE_GOOD, notice
from rig.captures.comments import resolution_comment
from rig.core.atomic_file import whole_file
from rig.core.recording import Recording

_COLUMN_OF = {channel: column for column, channel in CHANNELS.items()} | {
    "pressure": "pressure_kpa"
}


def write_csv(recording: Recording, path: str | os.PathLike[str]) -> None:
    """One row for every change or reading, comments (#) above. Replaces `path`.

    `time_s` counts from the recording's first instant, with nine digits. Switch 1 = contact closed,
    coil 1 = live. Readings are as they arrived, in kPa and the other channels' units; an invalid
    pressure has `pressure_good` 0. Bad readings of other channels, polled levels, conditions and
    steps are left out: JSON keeps everything.
    """
    found = changes(recording)
    names = [channel.name for channel in found.channels]
    bad = any(
        name == "pressure" and not samples.good.all() for name, samples in recording.samples.items()
    )
    header = ["time_s", *(_COLUMN_OF.get(name, name) for name in names)]
    if bad:
        header.append(PRESSURE_GOOD)
    with whole_file(path) as file:
        text = notice(recording.shown_source)
        if text:
            file.write(f"# {text}\n")
        file.write(f"# source: {recording.shown_source}\n")
        told = resolution_comment(recording)
        if told:
            file.write(f"# {told}\n")
        file.write(
            "# time_s counts from the first record; 1 = commanded on, coil live, contact closed; "
            "readings at their arrival\n"
        )
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        row: list[str] = []
        row_ns = None
        for t_ns, channel, value, good in found.rows():
            digital = found.channels[channel].digital
            if not digital and not good and names[channel] != "pressure":
                continue
            if row_ns != t_ns or row[channel + 1]:
                if row:
                    writer.writerow(row)
                row, row_ns = [_seconds(t_ns - recording.t0_ns), *[""] * (len(header) - 1)], t_ns
            if digital:
                row[channel + 1] = str(int(value))
            elif not math.isnan(value):  # a reading without a value stays blank
                row[channel + 1] = repr(value)
            if not good:
                row[-1] = "0"
        writer.writerow(row)
        end_ns = last_ns(recording)
        if row_ns is not None and end_ns > row_ns:
            writer.writerow([_seconds(end_ns - recording.t0_ns), *[""] * (len(header) - 1)])


def _seconds(ns: int) -> str:
    sign, ns = ("-", -ns) if ns < 0 else ("", ns)
    return f"{sign}{ns // 1_000_000_000}.{ns % 1_000_000_000:09d}"
