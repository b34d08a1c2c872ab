# SPDX-License-Identifier: MIT
"""`rig backup`: a checked copy of the run log and what lies beside it."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click


@click.command("backup")
@click.argument("file", type=click.Path(path_type=Path))
def command(file: Path) -> None:
    """Copy the run log to FILE and check the copy. May be done while a run goes on.

    Photos, documents and the checks done by hand on jobs are in it; raw files are not. A file that
    is there already is never replaced. Keep copies on another disk.
    """
    from rig.core import places
    from rig.runlog import copies, schema
    from rig.runlog.store import RunLog

    path = places.log_path()
    with contextlib.suppress(schema.OldLogError):  # copied as it is
        schema.require_current(path)
    target = file.absolute()
    copies.back_up(path, target)
    copies.note(path, str(target), target.stat().st_size, target)
    size = f"{target.stat().st_size / 1e6:.1f} MB"
    try:
        with RunLog(target, readonly=True) as copy:
            newest = copy.runs(limit=1)
    except schema.OldLogError:
        click.echo(
            f"Copied {path} to {file} and checked the copy: {size}, an older form, without "
            "the files beside it."
        )
        return
    last = f"the last run in it is {newest[0].id}" if newest else "no run is in it"
    click.echo(f"Copied {path} to {file} and checked the copy: {size}, {last}.")
