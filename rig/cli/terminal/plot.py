# SPDX-License-Identifier: MIT
"""A small text plot: one column a stroke, or several strokes to a column."""

from __future__ import annotations

from collections.abc import Sequence

BLOCKS = " ▁▂▃▄▅▆▇█"
ASCII_BLOCKS = " .:-=+*%@"
MISSING = "x"


def plot(
    values: Sequence[float | None],
    width: int,
    rows: int = 4,
    *,
    ascii_only: bool = False,
    span: tuple[float, float] | None = None,
) -> list[str]:
    """Lines of `rows` height and at most `width` columns; None is drawn as an x at the bottom.

    With more values than columns, a column shows its largest value, so that a single slow stroke is
    not averaged away; it shows an x only if all its values are None. `span` are the values at
    bottom and top, by default the smallest and largest.
    """
    columns = _columns(values, max(1, width))
    known = [value for value in columns if value is not None]
    if not known:
        return []
    blocks = ASCII_BLOCKS if ascii_only else BLOCKS
    low, high = span if span is not None else (min(known), max(known))
    steps = rows * (len(blocks) - 1)
    reach = high - low
    # equal values make one flat line in the middle, not a full or an empty plot
    heights = [
        None
        if value is None
        else 1 + round((value - low) / reach * (steps - 1))
        if reach > 0
        else steps // 2
        for value in columns
    ]
    lines = []
    for row in range(rows - 1, -1, -1):
        cells = []
        for height in heights:
            if height is None:
                cells.append(MISSING if row == 0 else " ")
            else:
                full = len(blocks) - 1
                cells.append(blocks[min(max(height - row * full, 0), full)])
        lines.append("".join(cells))
    return lines


def _columns(values: Sequence[float | None], width: int) -> list[float | None]:
    n = len(values)
    if n <= width:
        return list(values)
    columns: list[float | None] = []
    for column in range(width):
        part = values[column * n // width : (column + 1) * n // width]
        known = [value for value in part if value is not None]
        columns.append(max(known) if known else None)
    return columns


def interval_line(
    ends: tuple[float, float],
    middle: float,
    span: tuple[float, float],
    width: int,
    *,
    ascii_only: bool = False,
) -> str:
    """An interval with its midpoint on one line of `width` columns that cover `span`."""
    bar, dot = ("-", "o") if ascii_only else ("─", "●")

    def column(value: float) -> int:
        reach = span[1] - span[0]
        share = (value - span[0]) / reach if reach > 0 else 0.5
        return min(width - 1, max(0, round(share * (width - 1))))

    low, high, at = column(ends[0]), column(ends[1]), column(middle)
    cells = [" "] * width
    cells[low : high + 1] = bar * (high + 1 - low)
    cells[at] = dot
    return "".join(cells)
