# SPDX-License-Identifier: MIT
"""`rig calibrate`: compare the pressure gauge with a reference gauge, and store the line; or let
the rig measure its own times."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.output import tell, units_of_setup
from rig.cli.run_options import run_options
from rig.core.errors import HardwareError, UsageError
from rig.core.reader_units import units

if TYPE_CHECKING:
    from rig.config.setup.model import Setup

Pair = tuple[float, float]
EXAMPLES = {
    "--reference": '"shop gauge 7, certificate 123"',
    "--reference-uncertainty": '"0.4 kPa"',
}


@click.command("calibrate")
@click.argument("setup", type=click.Path(path_type=Path))
@click.option(
    "--point",
    "points",
    multiple=True,
    metavar="REFERENCE=READING",
    help='One pressure on both gauges, like "100 kPa=99.4 kPa"; several times.',
)
@click.option("--live", is_flag=True, help="Take the reading from the gauge at each point.")
@click.option("--reference", help="The reference gauge: name, number, certificate.")
@click.option(
    "--reference-uncertainty",
    "u",
    metavar="PRESSURE",
    help="Its expanded uncertainty, as its certificate states it.",
)
@click.option(
    "--coverage",
    type=click.FloatRange(1, 4),
    default=2.0,
    show_default=True,
    help="Coverage factor k stated with it.",
)
@click.option("--by", default="", help="Who calibrates.")
@click.option("--date", metavar="DATE", help="Day of the calibration; left out: today.")
@click.option(
    "--months",
    type=click.IntRange(1, 120),
    default=12,
    show_default=True,
    help="It holds for so many months.",
)
@click.option(
    "--zero-check/--no-zero-check",
    default=None,
    help="Is the gauge open to the air whenever the rig rests?",
)
@click.option("--zero-tolerance", metavar="PRESSURE", help="Allowed drift of its zero.")
@click.option("--write", is_flag=True, help="Put the table into SETUP without asking.")
@click.option("--timing", is_flag=True, help="Measure the rig's own times instead of its gauge.")
@click.option(
    "--strokes",
    type=click.IntRange(30, 100_000),
    default=1000,
    show_default=True,
    help="With --timing: how many.",
)
@click.option(
    "--record",
    type=click.Path(path_type=Path, dir_okay=False),
    help="With --timing: also write what was found as JSON.",
)
@run_options("--timing")
def command(
    setup: Path, points: tuple[str, ...], live: bool, reference: str | None, u: str | None,
    coverage: float, by: str, date: str | None, months: int, zero_check: bool | None,
    zero_tolerance: str | None, write: bool, timing: bool, strokes: int, **run: object,
) -> None:  # fmt: skip
    """Calibrate the pressure gauge of SETUP against a reference gauge.

    Both gauges at the same pressure, one pressure after the other, up and down over the range that
    is used: three points at least, better five. What is not given is asked for. The line through
    the points, what it leaves uncertain, and the [calibration] table are shown, and the table is
    put into SETUP when you say so. Nothing is energised, and nothing is corrected before a run is
    analysed.

    With --timing the rig measures itself: a resistor or lamp in the coil's place, and the load side
    led into the switch input through the switch's own input circuit, so that the true time from
    coil to switch is 0. The relay is energised --strokes times, as in `rig run`. What is found goes
    into the table [timing], and is subtracted from every time from then on.
    """
    from rig.cli.terminal.calibration import Entered, due_of, show, table_text, with_table
    from rig.config.files.loading import load_setup, setup_from_text

    if timing:
        from rig.cli.calibration.calibrate_timing import timing as measure

        if points or live or reference:
            raise UsageError("--timing measures no gauge: leave --point, --live, --reference out.")
        day = _day(date)
        sys.exit(
            measure(setup, strokes, day, due_of(day, months), {**run, "by": by, "write": write})
        )
    units_of_setup(setup)
    loaded = load_setup(setup)
    if loaded.setup.pressure_source is None:
        raise UsageError(
            f"{loaded.path} has no gauge that could be calibrated: describe its [gauge] first."
        )
    asks = sys.stdin.isatty()
    click.echo(
        "Caution: oil or air under pressure. Goggles on; set the pressure slowly, and let it off "
        "before you open any fitting.",
        err=True,
    )
    reference = _needed(
        reference, "Reference gauge (name, number, certificate)", "--reference", asks
    )
    stated = _stated(u, asks)
    pairs = [_pair(text) for text in points]
    if not pairs:
        if not asks:
            raise UsageError("Give --point REFERENCE=READING at least three times, or a terminal.")
        pairs = _asked(loaded.setup, stated, live=live)
    if zero_check is None:
        zero_check = asks and click.confirm(
            "Is the gauge open to the air whenever the rig rests (then its zero is checked before "
            "each run)?",
            default=False,
        )
    entered = Entered(
        reference, stated, coverage, by, _day(date), months, tuple(pairs), zero_check,
        None if zero_tolerance is None else _pressure(zero_tolerance, "--zero-tolerance"),
    )  # fmt: skip
    with _kept(pairs):
        text = table_text(entered)
        new = with_table(loaded.text, text)
        made = setup_from_text(new, loaded.path).setup  # refused here, before anything is written
    show(made)
    click.echo("\n" + text)
    if not write and not (asks and click.confirm(f"Put this table into {setup}?", default=True)):
        click.echo("Nothing was written. Copy the table into the setup, or use --write.", err=True)
        return
    replace_text(setup, new)


@contextlib.contextmanager
def _kept(pairs: list[Pair]) -> Iterator[None]:
    """Print the measured points even if they cannot be used: taking them again costs an hour."""
    try:
        yield
    except BaseException:
        if pairs:
            points = " ".join(f'--point "{a:.6g} kPa={b:.6g} kPa"' for a, b in pairs)
            click.echo(f"The points so far, to be given again:\n  {points}", err=True)
        raise


def _needed(given: str | None, question: str, option: str, asks: bool) -> str:
    if given:
        return given
    if not asks:
        raise UsageError(f"There is no terminal to ask on. Give {option}, like {EXAMPLES[option]}.")
    return str(click.prompt(question))


def _stated(given: str | None, asks: bool) -> float:
    """The reference's expanded uncertainty, kPa; a typing error at the terminal is asked again."""
    option = "--reference-uncertainty"
    while True:
        text = _needed(given, "Its expanded uncertainty, like 0.4 kPa", option, asks)
        try:
            return _pressure(text, option)
        except UsageError as error:
            if given or not asks:
                raise
            click.echo(f"  {error}", err=True)


def _pressure(text: str, where: str) -> float:
    from rig.core.quantities import parse

    try:
        return parse(text, "pressure")
    except ValueError as error:
        raise UsageError(f'{where}: "{text}" is not a pressure ({error}).') from error


def _pair(text: str) -> Pair:
    left, equals, right = text.partition("=")
    if not equals:
        raise UsageError(f'--point "{text}": write REFERENCE=READING, like "100 kPa=99.4 kPa".')
    return _pressure(left.strip(), "--point"), _pressure(right.strip(), "--point")


def _day(text: str | None) -> str:
    import datetime

    if text is None:
        return datetime.datetime.now(datetime.UTC).date().isoformat()
    try:
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise UsageError(f'--date "{text}" is no date: write 2026-11-02.') from error


def _asked(setup: Setup, stated_kpa: float, *, live: bool) -> list[Pair]:
    """Points typed one after the other at the terminal. `stated_kpa`: a pressure swing above it
    prompts a question."""
    from rig.cli.calibration.calibrate_live import Reader

    pairs: list[Pair] = []
    click.echo("Set a pressure, wait until both gauges stand still, then type what the reference "
               "shows, with its unit. An empty line ends it.")  # fmt: skip
    reader = Reader(setup) if live else None
    with contextlib.ExitStack() as left, _kept(pairs):
        if reader is not None:
            left.callback(reader.close)
        while True:
            text = click.prompt(
                f"  point {len(pairs) + 1}: reference", default="", show_default=False
            )
            if not text.strip():
                return pairs
            try:
                truth = _pressure(text, "reference")
                if reader is None:
                    words = click.prompt("           rig's gauge")
                    pairs.append((truth, _pressure(words, "reading")))
                else:
                    taken = reader.take()
                    tell(f"           rig's gauge {taken.mean_kpa:.5g} kPa, mean of "
                               f"{taken.n} readings from {taken.low_kpa:.5g} to "
                               f"{taken.high_kpa:.5g}")  # fmt: skip
                    swings = (
                        f"They swing by {taken.swing_kpa:.2g} kPa, more than the {stated_kpa:.2g} "
                        "kPa that the reference is good for. Keep this point?"
                    )
                    if taken.swing_kpa <= stated_kpa or click.confirm(
                        f"           {units().words(swings)}", default=False
                    ):
                        pairs.append((truth, taken.mean_kpa))
            except (UsageError, HardwareError) as error:  # one bad point does not end the session
                click.echo(f"  {error}", err=True)


def replace_text(path: Path, text: str) -> None:
    """Replace the text atomically; the old one is kept beside it."""
    import os

    before = path.with_name(path.name + ".before")
    before.write_bytes(path.read_bytes())
    fresh = path.with_name(path.name + ".new")
    try:
        with fresh.open("w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(path)
    except OSError as error:
        raise UsageError(f"{path} could not be written ({error}); it is as it was.") from error
    click.echo(f"Written to {path}; the setup as it was is {before.name}.", err=True)
