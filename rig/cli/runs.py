# SPDX-License-Identifier: MIT
"""`rig runs`: the runs in the log, newest first."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from rig.cli.output import one_form, tsv_option

if TYPE_CHECKING:
    from rig.runlog.rows import RunRow

COLUMNS = (
    "run", "started", "source", "status", "valve", "job", "by", "kind", "strokes",
    "response_mean_ms", "verdict",
)  # fmt: skip


@click.command("runs")
@click.option("--limit", default=20, show_default=True, type=click.IntRange(1, 10_000))
@click.option("--valve", metavar="TAG", help="Only the runs of this valve.")
@click.option("--job", metavar="ID", help="Only the runs of this job.")
@click.option("--by", metavar="NAME", help="Only the runs of this person.")
@click.option("--tag", metavar="TAG", help="Only runs that a person put this tag on.")
@click.option("--verdict", metavar="RESULT", help="Only conforms, does_not_conform, undecided ...")
@click.option("--source", metavar="SOURCE", help="Only board, simulated, capture ...")
@click.option("--before", type=click.IntRange(1), metavar="ID", help="Only runs older than this.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of a table.")
@tsv_option
def command(
    limit: int,
    before: int | None,
    as_json: bool,
    tsv: bool,
    valve: str | None,
    job: str | None,
    by: str | None,
    tag: str | None,
    verdict: str | None,
    source: str | None,
) -> None:
    """List the runs in the log, newest first."""
    one_form(as_json=as_json, tsv=tsv)
    from rig.core.places import log_path
    from rig.runlog.schema import NoLogError
    from rig.runlog.search import Place, Sought, find
    from rig.runlog.store import RunLog

    path, found, following = log_path(), [], None
    place = None if before is None else Place(before)
    sought = Sought(valve=valve, job=job, by=by, tag=tag, verdict=verdict, source=source)
    try:
        with RunLog.reading(path) as log:
            listed, following = find(log, sought, limit, place)
            found = [one.row for one in listed]
    except NoLogError:
        pass  # no run was logged yet: the list is empty
    last = following.id if following else None
    if as_json:
        rows = [row_json(row) for row in found]
        click.echo(json.dumps({"runs": rows, "next_before": last}, allow_nan=False))
    elif tsv:
        for fields in (COLUMNS, *(row_fields(row) for row in found)):
            click.echo("\t".join(fields))
    elif not found:
        of = f" of valve {valve}" if valve else ""
        click.echo(f"No runs{of} in {path}.")
    else:
        _show_table(found)
        if last is not None:
            click.echo(f"Older runs: rig runs --before {last}")


def row_json(row: RunRow) -> dict[str, object]:
    """One run of the list as JSON; unknown values are null."""
    return {
        "run": row.id,
        "started": row.started.isoformat(timespec="seconds"),
        "clock_synchronised": row.clock_synchronised,
        "source": row.source,
        "status": row.status,
        "valve": row.valve,
        "job": row.job,
        "by": row.by,
        "mount": row.mount,
        "kind": row.kind,
        "strokes": row.strokes,
        "response_mean_ms": row.response_mean_ms,
        "verdict": row.verdict,
        "response_n": row.response_n,
        "response_max_ms": row.response_max_ms,
        "release_mean_ms": row.release_mean_ms,
        "release_n": row.release_n,
        "missed": row.missed,
        "oil_temperature_degc": row.oil_temperature_degc,
        "purpose": row.purpose,
    }


def row_fields(row: RunRow) -> tuple[str, ...]:
    """The texts of COLUMNS; a simulated run says so in capitals, an unknown value is empty."""
    # a time from a clock that nothing had set is marked: the board may have no clock of its own
    doubt = "" if row.clock_synchronised else "?"
    mean = "" if row.response_mean_ms is None else f"{row.response_mean_ms:.1f}"
    return (
        str(row.id),
        f"{row.started:%Y-%m-%d %H:%M:%S}Z{doubt}",
        row.source.upper() if row.source == "simulated" else row.source,
        row.status,
        *(_one_line(text) for text in (row.valve, row.job, row.by, row.kind)),
        "" if row.strokes is None else str(row.strokes),
        mean,
        _one_line(row.verdict),
    )


def _one_line(text: str | None) -> str:
    return " ".join(text.split()) if text else ""


WIDE = 110
"""Columns from which on a run's whole row fits beside one another."""
NARROW_COLUMNS = ("run", "started", "source", "valve", "response_mean_ms", "verdict")


def _show_table(found: list[RunRow]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    wide = console.width >= WIDE
    shown = COLUMNS if wide else NARROW_COLUMNS
    table = Table(box=None, pad_edge=False, padding=(0, 2 if wide else 1, 0, 0))
    titles = {"response_mean_ms": "response\nms", "started": "started (UTC)"}
    for name in shown:
        right = name in ("run", "strokes", "response_mean_ms")
        table.add_column(
            titles.get(name, name), justify="right" if right else "left", overflow="fold",
            no_wrap=right or name == "started",
        )  # fmt: skip
    for row in found:
        fields = dict(zip(COLUMNS, row_fields(row), strict=True))
        if not wide:  # without seconds, and how it ended where that is no verdict's matter
            fields["started"] = fields["started"][:16] + fields["started"][20:]
            if row.status != "finished":
                fields["verdict"] = row.status
        table.add_row(*(Text(fields[name]) for name in shown))  # Text: no markup in a tag
    console.print(table)
    cut = [str(row.id) for row in found if row.status == "interrupted"]
    if cut:
        which = f"Run {cut[0]}" if len(cut) == 1 else f"Runs {', '.join(cut)}"
        console.print(f"{which} ended without a word: `rig recover` fills up what the log lacks.")
    if any(not row.clock_synchronised for row in found):
        console.print("? the clock was not known to be synchronised", style="dim")
