# SPDX-License-Identifier: MIT
"""The first strokes of a capture in words, for a person checking how its columns were read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.analysis.measure.stroke_windows import NEVER, stroke_windows

if TYPE_CHECKING:
    from rig.analysis.measure.stroke_table import StrokeTable
    from rig.core.recording import Recording

SHOWN = 3


def first_strokes(recording: Recording, strokes: StrokeTable) -> list[str]:
    """A line for each of the first strokes, from the commands of `recording` and the stroke table
    of its analysis; a single line saying so where there is no stroke."""
    windows = stroke_windows(recording)
    lines = []
    for n, (on_ns, off_ns) in enumerate(
        zip(windows.on_ns[:SHOWN].tolist(), windows.off_ns.tolist(), strict=False)
    ):
        parts = [f"stroke {n + 1}: commanded on at {(on_ns - recording.t0_ns) / 1e9:.4f} s"]
        if off_ns < NEVER:
            parts.append(f"for {(off_ns - on_ns) / 1e6:.1f} ms")
        for name, values in (("switch on", strokes.response_ms), ("off", strokes.release_ms)):
            value = float(values[n]) if n < len(values) else float("nan")
            parts.append(f"{name} {'not seen' if np.isnan(value) else f'after {value:.1f} ms'}")
        lines.append(", ".join(parts))
    return lines or ["no stroke: the command never goes on"]
