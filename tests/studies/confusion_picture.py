# SPDX-License-Identifier: MIT
"""The confusion matrix of a study as a picture: rows are what is there, columns what is named.

One path for each shade, and one text for each row's numbers: small enough to be read as a
difference between two commits.
"""

from __future__ import annotations

import collections
from collections.abc import Sequence
from html import escape

CELL, LABEL, TOTAL = 15, 190, 36
SHADES = 10
"""Of either colour; a cell has the next darker one."""
LEAST_PCT = 1
"""Shares below this have a shade and no number."""
RIGHT, WRONG = (0, 110, 60), (200, 80, 0)


def confusion_svg(names: Sequence[str], told: Sequence[tuple[str, str]], title: str) -> str:
    """SVG of `told`, pairs of the true cause and the one named first. The numbers are percent of
    their row, whose count stands at its end."""
    pairs, of = collections.Counter(told), collections.Counter(true for true, _ in told)
    columns = [*names, *sorted({named for _, named in told} - set(names))]
    width = LABEL + CELL * len(columns) + TOTAL + 10
    top = LABEL + 20
    height = top + CELL * len(names) + 10
    cells: dict[str, list[str]] = {}
    rows = []
    for row, true in enumerate(names):
        y, numbers = top + CELL * row, ""
        for n, named in enumerate(columns):
            count = pairs[true, named]
            if not count:
                continue
            x, share = LABEL + CELL * n, count / of[true]
            fill = _shade(share, right=true == named)
            cells.setdefault(fill, []).append(f"M{x} {y}h{CELL - 1}v{CELL - 1}h-{CELL - 1}z")
            if 100 * share >= LEAST_PCT:
                ink = ' fill="#fff"' if share > 0.5 else ""
                numbers += f'<tspan x="{x + CELL // 2}"{ink}>{100 * share:.0f}</tspan>'
        rows.append(
            f'<text x="{LABEL - 4}" y="{y + CELL - 4}" text-anchor="end">{escape(true)}</text>'
            f'<text y="{y + CELL - 5}" font-size="7" text-anchor="middle">{numbers}</text>'
            f'<text x="{LABEL + CELL * len(columns) + 4}" y="{y + CELL - 4}">{of[true]}</text>'
        )
    heads = [
        f'<text transform="translate({LABEL + CELL * n + CELL - 4} {top - 4}) rotate(-90)">'
        f"{escape(name)}</text>"
        for n, name in enumerate(columns)
    ]
    return "\n".join([
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="sans-serif" font-size="10">',
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        f'<text x="6" y="16" font-size="12">{escape(title)}: rows there, columns named first, '
        f"percent of the row, {len(told)} simulated rigs</text>",
        f'<rect x="{LABEL}" y="{top}" width="{CELL * len(columns)}" '
        f'height="{CELL * len(names)}" fill="#f4f4f4"/>',
        *(f'<path fill="{fill}" d="{"".join(squares)}"/>' for fill, squares in cells.items()),
        *heads, *rows, "</svg>\n",
    ])  # fmt: skip


def _shade(share: float, *, right: bool) -> str:
    """White to green where right, to orange where not, in so many shades."""
    deep = -(-share * SHADES // 1) / SHADES
    full = RIGHT if right else WRONG
    return "#" + "".join(f"{round(255 - deep * (255 - c)):02x}" for c in full)
