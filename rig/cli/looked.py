# SPDX-License-Identifier: MIT
"""The preflight on a terminal: every check by word and sign, rules watched and NOT WATCHED."""

from __future__ import annotations

from rig.core.preflight import DOUBTFUL, GOOD, NOT_WATCHED, REFUSED, Preflight

SIGNS = {GOOD: "ok ", DOUBTFUL: " ? ", REFUSED: "NO ", NOT_WATCHED: " - "}


def show_preflight(found: Preflight) -> None:
    """Print it on standard error, so that standard output holds the result alone."""
    from rich.console import Console
    from rich.table import Table

    console = Console(stderr=True, highlight=False, markup=False)
    if found.source != "board":
        console.print(f"{found.source.upper()}: no real coil is driven.", style="bold")
    table = Table(box=None, show_header=False, pad_edge=False)
    for check in found.checks:
        told = f"{check.shown}\n  {check.remedy}" if check.remedy else check.shown
        table.add_row(SIGNS[check.result], check.name, told)
    for item in found.watched:
        reaction = item["reaction_ms"]
        table.add_row("ok ", f"watched: {item['rule']}", f"within {reaction:.0f} ms")
    for item in found.not_watched:
        table.add_row(" - ", f"NOT WATCHED: {item['rule']}", str(item["why"]))
    console.print(table)
