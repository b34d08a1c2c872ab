# SPDX-License-Identifier: MIT
"""`rig recover`: restore runs to the log from their raw files."""

from __future__ import annotations

import sys
from pathlib import Path

import click


@click.command("recover")
@click.argument("rawfiles", nargs=-1, type=click.Path(path_type=Path), metavar="[RAWFILE]...")
def command(rawfiles: tuple[Path, ...]) -> None:
    """Put runs, or their last records, back into the run log from their raw files.

    Without RAWFILE it looks through the data directory: runs that the log lacks, or holds only in
    part, or whose records are damaged, are filled up. A damaged run log is moved aside and a new
    one made from everything that can be read. Nothing is thrown away; doing it twice changes
    nothing. The exit code is 4 where something could not be recovered.
    """
    from rig.core import places
    from rig.core.errors import EXIT_HARDWARE
    from rig.recorder.recover import recover

    log_path = places.log_path()
    lost = recover(log_path, places.raw_dir(), rawfiles, click.echo, places.state_dir())
    if log_path.exists():
        _analyse(log_path)
    if lost:
        click.echo("Not everything could be recovered: see above.", err=True)
        sys.exit(EXIT_HARDWARE)


def _analyse(log_path: Path) -> None:
    """Compute results for runs without one, so that lists show their figures too."""
    from rig.core.errors import RigError
    from rig.recorder.recover import ALL_RUNS
    from rig.runlog.store import RunLog

    done = 0
    with RunLog(log_path) as log:
        for row in log.runs(ALL_RUNS):
            if row.verdict is not None or row.status == "running":
                continue
            from rig.actions.analyse_run import (
                analyse_and_save,  # not loaded where all have a result
            )

            try:
                analyse_and_save(log, row.id)
                done += 1
            except RigError as error:
                click.echo(f"Run {row.id} could not be analysed: {error}")
    if done:
        click.echo(f"{done} {'run' if done == 1 else 'runs'} analysed.")
