# SPDX-License-Identifier: MIT
"""The confusion matrix of a study as a picture: rows are what is there, columns what is named."""

from __future__ import annotations

import collections
from collections.abc import Sequence
from html import escape

CELL, LABEL = 13, 190


def confusion_svg(names: Sequence[str], told: Sequence[tuple[str, str]], title: str) -> str:
    """SVG of `told`, pairs of the true cause and the one named first; rows add up to 1."""
    pairs, of = collections.Counter(told), collections.Counter(true for true, _ in told)
    columns = [*names, *sorted({named for _, named in told} - set(names))]
    width = LABEL + CELL * len(columns) + 10
    height = LABEL + CELL * len(names) + 30
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" font-family="sans-serif" font-size="10">',
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        f'<text x="6" y="16" font-size="12">{escape(title)}: rows there, columns named first, '
        f"{len(told)} simulated rigs</text>",
    ]
    top = LABEL + 20
    for n, name in enumerate(columns):
        x = LABEL + CELL * n + CELL - 3
        parts.append(
            f'<text x="{x}" y="{top - 4}" transform="rotate(-90 {x} {top - 4})">'
            f"{escape(name)}</text>"
        )
    parts.append(
        f'<rect x="{LABEL}" y="{top}" width="{CELL * len(columns)}" '
        f'height="{CELL * len(names)}" fill="#f4f4f4"/>'
    )
    for row, true in enumerate(names):
        y = top + CELL * row
        parts.append(
            f'<text x="{LABEL - 4}" y="{y + CELL - 3}" text-anchor="end">{escape(true)}</text>'
        )
        for n, named in enumerate(columns):
            count = pairs[true, named]
            if not count:
                continue
            fill = _shade(count / of[true], right=true == named)
            parts.append(
                f'<rect x="{LABEL + CELL * n}" y="{y}" width="{CELL - 1}" height="{CELL - 1}" '
                f'fill="{fill}"><title>{escape(true)} named {escape(named)}: {count} of '
                f"{of[true]}</title></rect>"
            )
    return "\n".join([*parts, "</svg>\n"])


def _shade(share: float, *, right: bool) -> str:
    """White to green where right, to orange where not."""
    full = (0, 110, 60) if right else (200, 80, 0)
    return "#" + "".join(f"{round(255 - share * (255 - c)):02x}" for c in full)
