# SPDX-License-Identifier: MIT
"""`rig serve`: the run log as a page. Only this command imports the page, and only when used."""

from __future__ import annotations

import click


@click.command("serve")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port; 0 takes a free one.")
@click.option(
    "--expose-run-log",
    "exposed",
    is_flag=True,
    help="Let a host other than the loopback read every run: tags, jobs, names, notes. No "
    "passcode, no encryption.",
)
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="NAME",
    help="A further host name this machine is called by; others are refused.",
)
def command(host: str, port: int | None, exposed: bool, names: tuple[str, ...]) -> None:
    """Serve the run log as a page for a browser on this machine, or on a phone beside the rig.

    The page only shows what was recorded: it cannot energise a coil or clear a trip.
    """
    from rig.core.places import log_path
    from webui import serving

    address = serving.address_of(host, exposed)
    server = serving.open_server(address, serving.DEFAULT_PORT if port is None else port, names)
    try:
        click.echo(f"Run log  {log_path()}")
        for reachable in serving.reachable_at(address):
            click.echo(f"Page     http://{reachable}:{server.effective_port}/")
        if exposed:
            click.echo(f"EXPOSED  {serving.EXPOSED}")
        click.echo("Ctrl-C ends it.")
        serving.serve(server)
    finally:
        server.close()
