# SPDX-License-Identifier: MIT
"""`rig runs`: the runs in the log, newest first."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from rig.cli.output import one_form, tsv_option
from rig.core.errors import UsageError

if TYPE_CHECKING:
    from rig.runlog.rows import RunRow
    from rig.runlog.store import RunLog

COLUMNS = (
    "run", "started", "source", "status", "valve", "job", "by", "kind", "strokes",
    "response_mean_ms", "verdict", "response_n", "response_max_ms", "release_mean_ms", "release_n",
    "missed", "oil_temperature_degc", "purpose",
)  # fmt: skip
"""Column order for programs: columns are added at the end, never moved."""
WIDE_COLUMNS = COLUMNS[:11]
SHOWN, WRITTEN_MOST = 20, 10_000


@click.command("runs")
@click.option(
    "--limit",
    type=click.IntRange(1, WRITTEN_MOST),
    help=f"How many at most.  [default: {SHOWN}; with --csv {WRITTEN_MOST}]",
)
@click.option(
    "--valve", metavar="TAG", help="Only the runs of this valve; capitals or not is all the same."
)
@click.option("--job", metavar="ID", help="Only the runs of this job.")
@click.option("--by", metavar="NAME", help="Only the runs of this person.")
@click.option("--tag", metavar="TAG", help="Only runs that a person put this tag on.")
@click.option(
    "--verdict",
    metavar="RESULT",
    help="Only conforms, does_not_conform, undecided ... A wrong word lists all.",
)
@click.option(
    "--source", metavar="SOURCE", help="Only board, simulated, capture ... A wrong word lists all."
)
@click.option(
    "--order", metavar="ORDER", default="newest",
    help="newest, oldest, slowest, slowest_release, highest (longest single response), "
    "most_missed, hottest (oil), valve_up ... A wrong word lists them all.",
)  # fmt: skip
@click.option("--before", type=click.IntRange(1), metavar="ID", help="Only runs older than this.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead of a table.")
@tsv_option
@click.option(
    "--csv", "csv_file", metavar="FILE",
    help="Write the results of these runs to FILE (-: standard output) as one table: run, valve, "
    "job, conditions, figures, verdict. A folder gets a file named by valve and runs.",
)  # fmt: skip
@click.option("--strokes", "by_stroke", is_flag=True, help="With --csv: a row for each stroke.")
@click.option("--force", is_flag=True, help="With --csv: replace FILE where it exists.")
def command(
    limit: int | None,
    before: int | None,
    as_json: bool,
    tsv: bool,
    valve: str | None,
    job: str | None,
    by: str | None,
    tag: str | None,
    verdict: str | None,
    source: str | None,
    order: str,
    csv_file: str | None,
    by_stroke: bool,
    force: bool,
) -> None:
    """List the runs in the log, newest first."""
    one_form(as_json=as_json, tsv=tsv)
    _refuse(as_json or tsv, csv_file, by_stroke=by_stroke, force=force, before=before, order=order)
    from rig.core.places import log_path
    from rig.runlog.schema import NoLogError
    from rig.runlog.search import Order, Place, Sought, find, near_valves
    from rig.runlog.store import RunLog

    path, found, following = log_path(), [], None
    like: list[str] = []
    place = None if before is None else Place(before)
    sought = Sought(
        valve=valve, job=job, by=by, tag=tag, verdict=verdict, source=source,
        order=cast("Order", order),
    )  # fmt: skip
    try:
        with RunLog.reading(path) as log:
            most = limit or (SHOWN if csv_file is None else WRITTEN_MOST)
            listed, following = find(log, sought, most, place)
            found = [one.row for one in listed]
            if valve and not found:
                like = near_valves(log, valve)
            if csv_file is not None and found:
                _write_csv(log, found, csv_file, by_stroke=by_stroke, force=force)
    except NoLogError:
        pass  # no run was logged yet: the list is empty
    last = following.id if following else None
    if csv_file is not None:
        if last is not None:
            click.echo(f"There are further runs: rig runs --before {last}", err=True)
        if not found:
            raise UsageError(f"No run of this kind is in {path}; nothing was written.")
    elif as_json:
        rows = [row_json(row) for row in found]
        click.echo(json.dumps({"runs": rows, "next_before": last}, allow_nan=False))
    elif tsv:
        for fields in (COLUMNS, *(row_fields(row) for row in found)):
            click.echo("\t".join(fields))
    elif not found:
        of = f" of valve {valve}" if valve else ""
        near = f" Tags near it: {', '.join(_one_line(tag) for tag in like)}." if like else ""
        click.echo(f"No runs{of} in {path}.{near}")
    else:
        _show_table(found)
        if last is not None:
            by_number = order == "newest"
            click.echo(f"Older runs: rig runs --before {last}" if by_number else "More: --limit.")


def _refuse(
    formed: bool, csv_file: str | None, *, by_stroke: bool, force: bool, before: int | None,
    order: str,
) -> None:  # fmt: skip
    """Refuse options that do not go together, all at once."""
    wrong = []
    if formed and csv_file is not None:
        wrong.append("--csv is a form of its own: leave --json and --tsv out")
    if csv_file is None and (by_stroke or force):
        wrong.append("--strokes and --force go with --csv FILE")
    if before is not None and order != "newest":
        wrong.append("--before goes with the newest first: leave --order out, or give a --limit")
    if wrong:
        raise UsageError(f"{'; '.join(wrong)}.")


def _write_csv(
    log: RunLog, found: list[RunRow], target: str, *, by_stroke: bool, force: bool
) -> None:
    from rig.actions.results_file import write_results
    from rig.text.file_names import runs_stem

    numbers = [row.id for row in found]
    if target == "-":
        write_results(log, numbers, sys.stdout, by_stroke=by_stroke)
        return
    path = Path(target)
    if path.is_dir():
        stem = runs_stem(numbers, [row.valve for row in found])
        path /= f"{stem}-{'strokes' if by_stroke else 'results'}.csv"
    if path.exists() and not force:
        raise UsageError(f"{path} exists; give another name, or --force to replace it.")
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            write_results(log, numbers, file, by_stroke=by_stroke)
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror or error}.") from error
    runs = f"{len(numbers)} run{'' if len(numbers) == 1 else 's'}"
    click.echo(f"The results of {runs} were written to {path}.", err=True)


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
    """The texts of COLUMNS; a simulated run is marked in capitals, an unknown value is empty."""
    # a time from an unset clock is marked: the board may have no clock of its own
    doubt = "" if row.clock_synchronised else "?"
    return (
        str(row.id),
        f"{row.started:%Y-%m-%d %H:%M:%S}Z{doubt}",
        row.source.upper() if row.source == "simulated" else row.source,
        row.status,
        *(_one_line(text) for text in (row.valve, row.job, row.by, row.kind)),
        _whole(row.strokes),
        _tenths(row.response_mean_ms),
        _one_line(row.verdict),
        _whole(row.response_n),
        _tenths(row.response_max_ms),
        _tenths(row.release_mean_ms),
        _whole(row.release_n),
        _whole(row.missed),
        _tenths(row.oil_temperature_degc),
        row.purpose,
    )


def _whole(value: int | None) -> str:
    return "" if value is None else str(value)


def _tenths(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}"


def _one_line(text: str | None) -> str:
    return " ".join(text.split()) if text else ""


WIDE = 110
"""Width from which a run's whole row fits on one line."""
NARROW_COLUMNS = ("run", "started", "source", "valve", "response_mean_ms", "verdict")


def _show_table(found: list[RunRow]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from rig.text.rounded import MEAN_LEAST
    from rig.text.words import PURPOSES, STATUS_WORDS

    console = Console()
    wide = console.width >= WIDE
    shown = WIDE_COLUMNS if wide else NARROW_COLUMNS
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
        fields["status"] = STATUS_WORDS.get(row.status, row.status)
        if row.purpose in PURPOSES:
            fields["valve"] = f"({row.purpose})"
        few = row.response_n is not None and row.response_n < MEAN_LEAST
        if few and row.response_mean_ms is not None:
            fields["response_mean_ms"] += f"\nn = {row.response_n}"
        if not wide:  # without seconds, and how it ended if no verdict depends on that
            fields["started"] = fields["started"][:16] + fields["started"][20:]
            if row.status != "finished":
                fields["verdict"] = STATUS_WORDS.get(row.status, row.status)
        table.add_row(*(Text(fields[name]) for name in shown))  # Text: no markup in a tag
    console.print(table)
    cut = [str(row.id) for row in found if row.status == "interrupted"]
    if cut:
        which = f"Run {cut[0]}" if len(cut) == 1 else f"Runs {', '.join(cut)}"
        console.print(f"{which} ended without a word: `rig recover` fills up what the log lacks.")
    if any(not row.clock_synchronised for row in found):
        console.print("? the clock was not known to be synchronised", style="dim")
