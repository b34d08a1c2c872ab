# SPDX-License-Identifier: MIT
"""The preflight on a terminal: every check by word and sign, rules watched and NOT WATCHED."""

from __future__ import annotations

from rig.core.preflight import DOUBTFUL, GOOD, NOT_WATCHED, REFUSED, Preflight
from rig.core.reader_units import units
from rig.text.wrapped import wrapped

BEFORE = 7
"""Columns of the sign, and between the columns."""
SIGNS = {GOOD: "ok ", DOUBTFUL: " ? ", REFUSED: "NO ", NOT_WATCHED: " - "}


def show_preflight(found: Preflight) -> None:
    """Print it on standard error, so that standard output holds only the result."""
    from rich.console import Console
    from rich.table import Table

    console = Console(stderr=True, highlight=False, markup=False)
    if found.source != "board":
        console.print(f"{found.source.upper()}: no real coil is driven.", style="bold")
    table = Table(box=None, show_header=False, pad_edge=False)
    room = console.width - BEFORE - max((len(check.name) for check in found.checks), default=0)
    for check in found.checks:
        lines = wrapped(units().words(check.shown), room, hang="")
        lines += wrapped(units().words(check.remedy), room, "  ", "") if check.remedy else []
        table.add_row(SIGNS[check.result], check.name, "\n".join(lines))
    console.print(table)
    watched = [f"{item['rule']} {_time(item['reaction_ms'])}" for item in found.watched]
    told = [(f"Watched, with the slowest reaction: {', '.join(watched)}.", "")]
    if found.not_watched:
        absent = ", ".join(str(item["rule"]) for item in found.not_watched)
        told.append((f"NOT WATCHED: {absent}.", "bold"))
    for text, style in told:
        for line in wrapped(text, console.width):
            console.print(line, style=style or None, soft_wrap=True)


def _time(reaction_ms: float | None) -> str:
    if reaction_ms is None:
        return "(by its circuit)"
    return f"{reaction_ms:.0f} ms" if reaction_ms < 1000 else f"{reaction_ms / 1000:.1f} s"
