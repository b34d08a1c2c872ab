# SPDX-License-Identifier: MIT
"""The preflight on a terminal: every check by word and sign, rules watched and NOT WATCHED."""

from __future__ import annotations

from rig.core.preflight import DOUBTFUL, GOOD, NOT_WATCHED, REFUSED, Preflight
from rig.core.reader_units import units

SIGNS = {GOOD: "ok ", DOUBTFUL: " ? ", REFUSED: "NO ", NOT_WATCHED: " - "}


def show_preflight(found: Preflight) -> None:
    """Print it on standard error, so that standard output holds only the result."""
    from rich.console import Console
    from rich.table import Table

    console = Console(stderr=True, highlight=False, markup=False)
    if found.source != "board":
        console.print(f"{found.source.upper()}: no real coil is driven.", style="bold")
    table = Table(box=None, show_header=False, pad_edge=False)
    for check in found.checks:
        told = f"{check.shown}\n  {check.remedy}" if check.remedy else check.shown
        table.add_row(SIGNS[check.result], check.name, units().words(told))
    console.print(table)
    watched = [f"{item['rule']} {_time(item['reaction_ms'])}" for item in found.watched]
    console.print(f"Watched, with the slowest reaction: {', '.join(watched)}.")
    if found.not_watched:
        absent = ", ".join(str(item["rule"]) for item in found.not_watched)
        console.print(f"NOT WATCHED: {absent}.", style="bold")


def _time(reaction_ms: float | None) -> str:
    if reaction_ms is None:
        return "(by its circuit)"
    return f"{reaction_ms:.0f} ms" if reaction_ms < 1000 else f"{reaction_ms / 1000:.1f} s"
