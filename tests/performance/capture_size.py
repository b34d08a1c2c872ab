# SPDX-License-Identifier: MIT
"""A capture of 100 MB as a logger writes one, invented, for the row of test_capture_speed.py."""

from __future__ import annotations

from pathlib import Path

SIZE = 100_000_000
STROKE_ROWS, ANSWER_ROWS = 10_000, 500
"""A stroke a second, its switch 50 ms after the command, a row each 0.1 ms."""


def write(path: Path, size: int = SIZE) -> int:
    """Write it; the number of its strokes."""
    row, strokes = 0, 0
    with path.open("w") as file:
        file.write("time_s,command,switch,pressure_kpa\n")
        while file.tell() < size:
            lines = []
            for n in range(row, row + STROKE_ROWS):
                at = n % STROKE_ROWS
                command = at >= STROKE_ROWS // 2
                switch = (at - ANSWER_ROWS) % STROKE_ROWS >= STROKE_ROWS // 2
                pressure = 300 if switch else 5
                lines.append(
                    f"{n / 1e4:.4f},{command:d},{switch:d},{pressure + n * 7 % 100 / 100:.2f}\n"
                )
            file.writelines(lines)
            row, strokes = row + STROKE_ROWS, strokes + 1
    return strokes
