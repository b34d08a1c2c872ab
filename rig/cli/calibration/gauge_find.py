# SPDX-License-Identifier: MIT
"""`rig gauge --find PORT`: what the gauge there understands and sends, as lines for a setup."""

from __future__ import annotations

import sys

import click


def find(port: str, *, may_ask: bool) -> None:
    """Listen, send queries if allowed, and write the result: words on standard error, the table on
    standard output. Raises HardwareError if nothing was found."""
    from rig.actions import find_gauge

    def allowed(question: str) -> bool:
        """Whether a person allows read requests to be sent to this port."""
        if may_ask:
            return True
        if not sys.stdin.isatty():
            raise find_gauge.not_allowed(question, "Add --yes to allow it.")
        return click.confirm(question, default=False, err=True)

    find_gauge.free(port)
    click.echo(f"Listening to {port} ...", err=True)
    found = find_gauge.find(port, lambda text: click.echo(f"  {text}", err=True), allowed)
    for words in found.words:
        click.echo(words, err=True)
    click.echo(found.table)
    click.echo(f"\n{find_gauge.AFTERWARDS}", err=True)
