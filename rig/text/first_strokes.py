# SPDX-License-Identifier: MIT
"""The first strokes of a capture in words, for a person who judges how its columns were read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from rig.core.recording import Recording

SHOWN = 3


def first_strokes(recording: Recording, strokes: Any) -> list[str]:
    """A line for each of the first strokes, of the commands of `recording` and the stroke table of
    its analysis; a line that says so where there is none."""
    commands = recording.commands
    on_ns = commands.t_ns[commands.on][:SHOWN]
    lines = []
    for n, t_ns in enumerate(on_ns.tolist()):
        off_ns = commands.t_ns[~commands.on & (commands.t_ns > t_ns)][:1]
        parts = [f"stroke {n + 1}: commanded on at {(t_ns - recording.t0_ns) / 1e9:.4f} s"]
        if len(off_ns):
            parts.append(f"for {(int(off_ns[0]) - t_ns) / 1e6:.1f} ms")
        for name, values in (("switch on", strokes.response_ms), ("off", strokes.release_ms)):
            value = float(values[n]) if n < len(values) else float("nan")
            parts.append(f"{name} {'not seen' if np.isnan(value) else f'after {value:.1f} ms'}")
        lines.append(", ".join(parts))
    return lines or ["no stroke: the command never goes on"]
