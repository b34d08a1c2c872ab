# SPDX-License-Identifier: MIT
"""Write a recording as a value change dump (IEEE Std 1364, clause 18), for waveform viewers."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from rig.captures.changes import changes, last_ns
from rig.captures.columns import notice
from rig.captures.comments import resolution_comment
from rig.core.atomic_file import whole_file
from rig.core.recording import Recording
from rig.core.records import CHANNEL_UNITS

if TYPE_CHECKING:
    from vcd.writer import Variable

SCOPE = "rig"


def write_vcd(recording: Recording, path: str | os.PathLike[str]) -> None:
    """Timescale 1 ns from the recording's first instant. Replaces `path`.

    Wires: command, coil (1 = live), switch (1 = contact closed). Readings are reals named with
    their unit, and a wire `..._good` says whether they are valid: x before the first one, 0 where
    the last reading is bad. A bad reading leaves the real as it was. The scope is named SIMULATED
    for a simulated run, so that a viewer shows it beside every trace.
    """
    from vcd import VCDWriter

    found = changes(recording)
    text = notice(recording.shown_source)
    scope = text.split(":")[0].replace(" ", "_") or SCOPE
    comment = "\n".join(
        part
        for part in (
            text,
            f"source: {recording.shown_source}",
            resolution_comment(recording),
            "times from the first record; readings at their arrival",
        )
        if part
    )
    with (
        whole_file(path) as file,
        VCDWriter(file, timescale="1 ns", date="", comment=comment, version="") as writer,
    ):
        variables: list[tuple[Variable[object], Variable[object] | None]] = []
        for channel in found.channels:
            if channel.digital:
                wire = writer.register_var(scope, channel.name, "wire", size=1)
                variables.append((wire, None))
                continue
            unit = CHANNEL_UNITS[channel.name].casefold()
            samples = recording.samples[channel.name]
            known = samples.value[samples.good]
            first = float(known[0]) if len(known) else 0.0
            name = f"{channel.name}_{unit}"
            variables.append(
                (
                    writer.register_var(scope, name, "real", init=first),
                    writer.register_var(scope, f"{channel.name}_good", "wire", size=1),
                )
            )
        for t_ns, place, value, good in found.rows():
            at, (variable, believed) = t_ns - recording.t0_ns, variables[place]
            if believed is None:
                writer.change(variable, at, int(value))
                continue
            if good:
                writer.change(variable, at, value)
            writer.change(believed, at, int(good))
        last_change = int(found.t_ns[-1]) if len(found.t_ns) else recording.t0_ns
        writer.close(max(last_ns(recording), last_change) - recording.t0_ns)
