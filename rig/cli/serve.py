# SPDX-License-Identifier: MIT
"""`rig serve`: the web page. Only this command imports it, and only when used."""

from __future__ import annotations

import time
from pathlib import Path

import click

from rig.core.errors import UsageError


@click.command("serve")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port; 0 takes a free one.")
@click.option(
    "--expose-run-log",
    "exposed",
    is_flag=True,
    help="Let a host other than the loopback read every run: tags, jobs, names, notes. No "
    "passcode; encrypted only with --certificate.",
)
@click.option(
    "--setup",
    "setups",
    multiple=True,
    type=click.Path(exists=True, path_type=Path),
    help="A rig that may be operated on the page: a setup file, or a folder of them.",
)
@click.option(
    "--sheet",
    "sheets",
    multiple=True,
    type=click.Path(exists=True, path_type=Path),
    help="A sheet that may be chosen on the page: a file, or a folder of them.",
)
@click.option("--set-passcode", is_flag=True, help="Ask for the operator's passcode, and keep it.")
@click.option(
    "--name",
    "names",
    multiple=True,
    metavar="NAME",
    help="A further host name this machine is called by; others are refused.",
)
@click.option(
    "--certificate", metavar="FILE", type=click.Path(path_type=Path),
    help="Serve over https with this certificate (PEM), with --key.",
)  # fmt: skip
@click.option(
    "--key", metavar="FILE", type=click.Path(path_type=Path), help="The certificate's key (PEM)."
)
@click.option(
    "--backup-to",
    "backup_folders",
    multiple=True,
    metavar="FOLDER",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="A folder, best on another disk, that the page may put copies of the log in.",
)
def command(
    host: str,
    port: int | None,
    exposed: bool,
    setups: tuple[Path, ...],
    sheets: tuple[Path, ...],
    set_passcode: bool,
    names: tuple[str, ...],
    certificate: Path | None,
    key: Path | None,
    backup_folders: tuple[Path, ...],
) -> None:
    """Serve the page for a browser on this machine, or on a phone beside the rig.

    With --setup and --sheet the rig can be operated there, by one browser at a time; without them
    the page shows the run log. On a network operating needs the passcode; looking and Stop do not.
    The page is no safety function, and its Stop is no emergency stop.
    """
    from webui.memory import return_memory

    return_memory()  # before anything large is loaded
    from rig.core import places
    from webui import access, local_peer, serving, tls
    from webui.live.files import Files
    from webui.live.hub import Hub

    if set_passcode:
        _set_passcode(places.data_dir())
        return
    address = serving.address_of(host, exposed, encrypted=certificate is not None)
    if (certificate is None) != (key is None):
        raise UsageError("--certificate and --key belong together: give both, or neither.")
    secure = tls.secured(certificate, key) if certificate and key else None
    if secure is not None:
        names = (*names, *secure.names)
    scheme = "http" if secure is None else "https"
    config: dict[str, object] = {"HUB": None}
    config["BACKUP_FOLDERS"] = [folder.absolute() for folder in backup_folders]
    if setups:
        config["HUB"] = Hub(places.state_dir(), Files(setups, sheets, places.data_dir() / "sheets"))
    config["PASSCODE_HASH"] = access.passcode_hash(places.data_dir()) or access.NO_PASSCODE
    if serving.is_loopback(address):
        config["OWNER"] = local_peer.owner_of(places.data_dir())
    elif setups:
        _needs_passcode(places.data_dir())
    server = serving.open_server(
        address, serving.DEFAULT_PORT if port is None else port, names, secure, **config
    )
    second = None
    try:
        if config["HUB"] is not None:
            second = serving.open_stop_server(address, names, server.app, secure)
            server.app.config["STOP_PORT"] = second.effective_port
        click.echo(f"Run log  {places.log_path()}")
        for reachable in serving.reachable_at(address):
            click.echo(f"Page     {scheme}://{reachable}:{server.effective_port}/")
        if exposed:
            click.echo(f"EXPOSED  {serving.EXPOSED}")
        if secure is not None:
            until = time.strftime("%Y-%m-%d", time.gmtime(secure.until_utc_s))
            click.echo(f"TLS      certificate for {', '.join(secure.names)}, valid until {until}")
            for caution in secure.cautions:
                click.echo(f"CAUTION  {caution}")
        elif not serving.is_loopback(address):
            click.echo(f"CAUTION  {serving.PLAIN}")
        if config["HUB"] is not None:
            click.echo("The page can operate the rig. It is no safety function.")
        if "OWNER" in config:
            click.echo("Other accounts of this computer only look, until they give the passcode.")
        click.echo("Ctrl-C ends it.")
        serving.serve(server, second)
    finally:
        server.close()


def _set_passcode(folder: Path) -> None:
    from webui import access

    passcode = click.prompt("Operator's passcode", hide_input=True, confirmation_prompt=True)
    try:
        access.set_passcode(folder, passcode)
    except ValueError as error:
        raise UsageError(f"Not kept: {error}.") from error
    click.echo(f"Kept as a hash in {folder / access.PASSCODE_FILE}.")


def _needs_passcode(folder: Path) -> None:
    from webui import access

    if access.passcode_hash(folder) is None:
        raise UsageError(
            "A rig that can be operated over a network needs a passcode. Set one first: "
            "`rig serve --set-passcode`."
        )
