# SPDX-License-Identifier: MIT
"""`rig report`: a run as one sheet of paper."""

from __future__ import annotations

from pathlib import Path

import click

from rig.cli.output import units_option
from rig.core.ending import judged
from rig.core.errors import EXIT_OK


@click.command("report")
@click.argument("run", metavar="RUN")
@click.option("--before", metavar="RUN", help="The run before the repair: say how they differ.")
@click.option(
    "--out", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
    help="Where to write it: .html, or .pdf with the extra. Default: run-N-report.html here.",
)  # fmt: skip
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True,
    help="Size of the paper in a PDF; HTML is printed on whatever the printer holds.",
)  # fmt: skip
@click.option("--force", is_flag=True, help="Replace FILE where it exists.")
@units_option
def command(run: str, before: str | None, out: Path | None, paper: str, force: bool) -> None:
    """Write a one-page test report of RUN (its number, or "last").

    What was tested and how, verdict, figures with their uncertainty, plots, cautions, lines to
    sign, and a code of the run. A simulated run says SIMULATED across the page.
    """
    from rig.actions.analyse_run import opened_log, run_number
    from rig.core.errors import UsageError
    from rig.core.reader_units import of_setup_text, use_unless_chosen
    from rig.report import page, pdf
    from rig.report.input import reported
    from rig.report.words import UNREAL

    with opened_log() as log:
        number = run_number(log, run)
        path = out or Path(f"run-{number}-report.html")
        kind = path.suffix.lower()
        if kind not in (".html", ".htm", ".pdf"):
            raise UsageError(f"{path} is neither .html nor .pdf; give the report one of the two.")
        if path.exists() and not force:
            raise UsageError(f"{path} exists; give another name, or --force to replace it.")
        lacking = pdf.missing() if kind == ".pdf" else ""
        if lacking:
            raise UsageError(lacking)
        found = reported(log, number, None if before is None else run_number(log, before))
    if found.refused:
        raise UsageError(found.refused)
    use_unless_chosen(of_setup_text(found.header.setup_text))
    if kind == ".pdf":
        made = pdf.to_pdf(page.ever_tighter(found, paper), page.sheets(found))
    else:
        made = page.render(found).encode()
    try:
        path.write_bytes(made)
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror or error}.") from error
    judged(EXIT_OK)
    across = UNREAL.get(found.result["source"], ("",))[0]
    click.echo(
        f"Report of run {number} written to {path}{f' ({across})' if across else ''}.", err=True
    )
