# SPDX-License-Identifier: MIT
"""`rig export`: one run as a file for other programs."""

from __future__ import annotations

from pathlib import Path

import click

from rig.core.ending import judged
from rig.core.errors import EXIT_OK


@click.command("export")
@click.argument("run", metavar="RUN")
@click.option(
    "--to", "form", required=True, type=click.Choice(["csv", "json", "vcd"]),
    help="csv: a row for every change or reading. json: the result and all records. "
    "vcd: for waveform viewers.",
)  # fmt: skip
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--force", is_flag=True, help="Replace FILE where it exists.")
def command(run: str, form: str, file: Path | None, force: bool) -> None:
    """Write RUN (its number, or "last") to FILE, or into a folder under a name that says valve,
    run and source; without FILE into the present one.

    Times count from the run's first record and are exact to the nanosecond. A simulated run says
    SIMULATED in every file.
    """
    from rig.actions.analyse_run import (
        analysed,
        opened_log,
        recording_of,
        run_number,
        saved_result,
        texts_of,
    )
    from rig.actions.exercise.store import Exercises
    from rig.captures import write_csv, write_json, write_vcd
    from rig.core.errors import UsageError
    from rig.text.file_names import file_stem
    from rig.text.words import UNREAL

    with opened_log() as log:
        number = run_number(log, run)
        stored = Exercises.beside(log.path).without_seed(log.load(number))
        if file is None or file.is_dir():
            stem = file_stem(number, stored.header.valve, stored.header.source)
            file = (file or Path()) / f"{stem}.{form}"
        if file.exists() and not force:
            raise UsageError(f"{file} exists; give another name, or --force to replace it.")
        setup, _ = texts_of(stored)
        if setup is None:
            raise UsageError(
                f"The setup kept with run {number} cannot be read by this program, so it is not "
                "known what the levels mean. Export it with the program that recorded it: "
                f"{stored.header.software}."
            )
        recording = recording_of(stored, setup)
        try:
            if form == "csv":
                write_csv(recording, file)
            elif form == "vcd":
                write_vcd(recording, file)
            else:
                result = saved_result(log, stored) or analysed(stored)
                result["seed"] = stored.header.seed
                write_json(result, recording, file)
        except OSError as error:
            raise UsageError(f"{file} cannot be written: {error.strerror or error}.") from error
    judged(EXIT_OK)
    word = UNREAL.get(recording.shown_source)
    click.echo(f"Run {number} written to {file}{f' ({word})' if word else ''}.", err=True)
