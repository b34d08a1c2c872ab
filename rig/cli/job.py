# SPDX-License-Identifier: MIT
"""`rig job`: complaint, checks by hand and repair of a job, and what checks and runs show."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from rig.cli.output import units_of_run, units_option
from rig.core.ending import judged
from rig.core.errors import UsageError


@click.group("job")
def command() -> None:
    """Write down a job's complaint and repair, note checks done by hand, and see what they and its
    runs say together.

    The page of the job shows and takes the same.
    """


@command.command("write")
@click.argument("job")
@click.option("--complaint", metavar="TEXT", help="In the customer's words.")
@click.option("--repair", metavar="TEXT", help="What was done.")
@click.option("--notes", metavar="TEXT", help="Anything worth keeping with the job.")
def write(job: str, **given: str | None) -> None:
    """Write complaint, repair or notes of JOB, in place of what stood there.

    A job that is not in the register yet is entered. What is not given stays as it is. Page,
    customer's summary and printed report show them.

    Exit codes: 0 written, 2 refused: nothing was written.
    """
    from rig.core.places import log_path
    from rig.runlog import register
    from rig.runlog.store import RunLog

    typed = {key: text.strip() for key, text in given.items() if text is not None}
    if not typed:
        raise UsageError("Nothing to write: add --complaint, --repair or --notes, each with TEXT.")
    with RunLog(log_path()) as log:
        number = register.number_of(log, register.JOB, job)
        was = register.entry(log, register.JOB, number) if number is not None else None
        texts = {key: typed.get(key, getattr(was, key, "")) for key in given}
        wrong = register.problems(register.JOB, job, "", **texts)
        if wrong:
            raise UsageError("\n".join([*wrong, "Nothing was written."]))
        if number is None:
            number = register.add(log, register.JOB, job)
        register.describe(log, register.JOB, number, **texts)
    judged(0)
    click.echo(f"Written on job {job}: {', '.join(typed)}.")


@command.command("note")
@click.argument("job")
@click.argument("check")
@click.argument("state", required=False)
@click.option("--found", metavar="STATE", help="What was found, one of the check's states.")
@click.option("--resistance", metavar="Q", help='coil_ohms: as read, like "24 ohm".')
@click.option("--coil-temperature", metavar="Q", help='coil_ohms: like "60 degC".')
@click.option("--at-coil", metavar="Q", help='supply_loaded: at the coil, like "11.2 V".')
@click.option("--at-source", metavar="Q", help='supply_loaded: at the source, like "12.6 V".')
@click.option("--note", metavar="TEXT", help="Anything worth keeping with it.")
@click.option(
    "--out-of-order",
    is_flag=True,
    help="It was done although a check that comes first for safety is not noted.",
)
def note(job: str, check: str, state: str | None, out_of_order: bool, **given: str | None) -> None:
    """Note on JOB what CHECK found, as coil_ohms or oil_level.

    STATE is the same as --found STATE.

    The help page "Diagnosis" lists the checks with their cautions and states. The engine maker's
    service information decides how each is done. Where a check that comes first for safety is not
    noted yet, it says so and asks; the record keeps the order.

    Exit codes: 0 noted, 2 refused: nothing was written.
    """
    from rig.actions.job_checks import OutOfOrderError, add_check

    if state and given["found"] not in (None, state):
        raise UsageError(f"Two findings: {state} and {given['found']}. Nothing was written.")
    given["found"] = given["found"] or state
    path, entry = _path(_number(job)), {"check": check, **given}
    _require_found(check, given)
    try:
        add_check(path, entry, out_of_order=out_of_order)
    except OutOfOrderError as early:
        if not sys.stdin.isatty():
            raise UsageError(
                f"{early}\nIf it was done all the same: --out-of-order notes that too."
            ) from early
        for line in early.words:
            click.echo(f"Caution: {line}", err=True)
        if not click.confirm("Was it done all the same, and safely?", default=False, err=True):
            raise
        add_check(path, entry, out_of_order=True)
    judged(0)
    click.echo(f"Noted on job {job}. What it tells now: rig job show {job}")


@command.command("show")
@click.argument("job")
@click.option("--good", metavar="RUN", help="A run of a known-good valve on the same rig.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else.")
@units_option
def show(job: str, good: str | None, as_json: bool) -> None:
    """Say what the checks and runs of JOB tell: causes, next check, repair.

    Diagnosed is its newest run that does not conform, else its newest. It is held against --good,
    else against an earlier run of the same valve that conformed.

    Exit codes: 0 what to do is clear, 2 refused, 5 undecided, 6 the coil stayed live in a run.
    """
    from rig.actions.analyse_run import opened_log
    from rig.actions.job_checks import job_seen
    from rig.cli.terminal.diagnosis import exit_code, held_against, show_about, show_diagnosis
    from rig.runlog.register import JOB, entry, history

    number = _number(job)
    with opened_log() as log:
        about = entry(log, JOB, number)
        seen = job_seen(log, _path(number), history(log, JOB, number), good)
    found = seen.diagnosis
    if found is None:
        raise UsageError(f'Job "{job}" has neither a finished run nor a check yet.')
    code = judged(exit_code(found))
    if as_json:
        click.echo(found.model_dump_json(by_alias=True))
    else:
        if seen.run is not None:
            units_of_run(str(seen.run))
        show_about(about, seen)
        show_diagnosis(found, tsv=False, job=job, mended=seen.since is not None)
        if seen.run is not None:
            click.echo(held_against(seen.good))
    sys.exit(code)


def _require_found(check: str, given: dict[str, str | None]) -> None:
    """Refuse a check without its result, in this command's words and not the file's."""
    from rig.diagnosis.knowledge.loading import load_knowledge
    from rig.diagnosis.knowledge.model import READINGS

    known = load_knowledge().checks.get(check)
    if known is None or any(text for key, text in given.items() if key != "note"):
        return
    readings = [f"--{key.replace('_', '-')} Q" for key in READINGS.get(check, ()) if key in given]
    instead = f", or {' with '.join(readings)}" if readings else ""
    raise UsageError(
        f"What {check} found is missing: add --found STATE, one of {', '.join(known.states)}"
        f"{instead}. Nothing was written."
    )


def _path(number: int) -> Path:
    from rig.core.places import log_path
    from rig.runlog.kept_files import checks_path

    return checks_path(Path(log_path()), number)


def _number(job: str) -> int:
    """The number of a job in the register. Raises UsageError."""
    from rig.actions.analyse_run import opened_log
    from rig.core.places import log_path
    from rig.runlog.register import JOB, number_of

    number = None
    if log_path().exists():
        with opened_log() as log:
            number = number_of(log, JOB, job)
    if number is None:
        raise UsageError(
            f'There is no job "{job}" in this log. It is entered by its complaint, rig job write '
            "JOB --complaint TEXT, or by its first run, rig run --job JOB."
        )
    return number
