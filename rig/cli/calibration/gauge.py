# SPDX-License-Identifier: MIT
"""`rig gauge`: live gauge readings; with `--find`, identify an unknown gauge's protocol."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.output import units_of_setup, units_option
from rig.core.errors import UsageError

if TYPE_CHECKING:
    from rig.config.setup.model import Setup
    from rig.desk.gauge_source import Source


@click.command("gauge")
@click.argument("setup", required=False, type=click.Path(path_type=Path))
@click.option("--find", "port", metavar="PORT", help="Find out how the gauge at PORT speaks.")
@click.option("--raw", is_flag=True, help="Also show the bytes as they arrive.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a reading.")
@click.option("--seconds", type=click.FloatRange(min=0.1), help="End after so many seconds.")
@units_option
@click.option("--yes", is_flag=True, help="With --find: read requests may be sent to PORT.")
def command(
    setup: Path | None, port: str | None, raw: bool, as_json: bool, seconds: float | None, yes: bool
) -> None:
    """Show what the gauge of SETUP reads, live; nothing is energised.

    While a run goes on its bench has the gauge; the readings are then overheard there. Ctrl-C ends
    it. Without a gauge's setup: --find PORT listens, and writes the [gauge] table.
    """
    if (setup is None) == (port is None):
        both = " Not both: a gauge that stands in a setup is known." if setup is not None else ""
        raise UsageError(
            f"Give a SETUP to read its gauge, or --find PORT to look at an unknown one.{both}"
        )
    if port is not None:
        if raw or as_json or seconds is not None:
            raise UsageError(
                "--raw, --json and --seconds belong to SETUP: --find PORT writes the setup's lines."
            )
        from rig.cli.calibration.gauge_find import find

        find(port, may_ask=yes)
        return
    from rig.cli.terminal.gauge_table import show
    from rig.config.files.loading import load_pair

    units_of_setup(setup or Path())
    loaded, _ = load_pair(setup or Path(), None)
    source, where = _source(loaded.setup, tap=raw)
    try:
        show(source, where, as_json=as_json, raw=raw, seconds=seconds)
    finally:
        source.close()


def _source(setup: Setup, *, tap: bool) -> tuple[Source, str]:
    """The source of the readings, and words for it."""
    from rig.core import places, state_file
    from rig.desk.gauge_source import (
        BenchSource,
        PortSource,
        RigSource,
        refuse_port_in_use,
        running,
    )

    if setup.gauge is None and setup.converter is None:
        raise UsageError(
            "This setup has no [gauge] and no [converter]. `rig gauge --find PORT` helps to write "
            "a gauge's."
        )
    states = places.state_dir()
    rig = state_file.rig_name(setup.backend, setup.chip, setup.relay.line)
    held = running(states, rig)
    if held is not None and held.owner is not None:
        words = f"overheard at the running bench (process {held.owner.pid})"
        return BenchSource(held.owner.socket), words
    if setup.backend == "board" and setup.converter is None and setup.gauge is not None:
        from rig.io.gauges.open_gauge import open_gauge

        refuse_port_in_use(states, setup.gauge.port)
        gauge = open_gauge(setup.gauge)
        return PortSource(gauge, gauge.close, tap=tap), setup.gauge.port
    from rig.compose import open_hardware

    lock = state_file.RigLock(state_file.state_path(states, rig))
    try:
        opened = open_hardware(setup, None)  # the relay's line is held low, nothing is energised
    except BaseException:
        lock.close()
        raise

    def close() -> None:
        opened.close()
        lock.close()

    where = "SIMULATED: an invented rig" if opened.source == "simulated" else opened.source
    return RigSource(opened, close, tap=tap), where
