# SPDX-License-Identifier: MIT
"""Certificates for the tests, made by the openssl command: another program than the one tested."""

from __future__ import annotations

import subprocess
from pathlib import Path


def made(
    folder: Path, name: str = "shop", *, days: tuple[str, str] | None = None,
    names: str = "DNS:localhost,IP:127.0.0.1", passphrase: str = "",
) -> tuple[Path, Path]:  # fmt: skip
    """A self-signed certificate and its key; `days` are its first and last instant."""
    certificate, key = folder / f"{name}.crt", folder / f"{name}.key"
    kind = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"]
    run = ["openssl", "req", "-x509", *kind, "-subj", "/CN=rig of an invented shop"]
    run += ["-out", str(certificate), "-keyout", str(key)]
    run += ["-passout", f"pass:{passphrase}"] if passphrase else ["-nodes"]
    run += ["-addext", f"subjectAltName={names}"] if names else []
    if days is None:
        subprocess.run([*run, "-days", "365"], check=True, capture_output=True)
    else:
        request = folder / f"{name}.csr"
        for unwanted in ("-x509", "-addext", f"subjectAltName={names}"):
            if unwanted in run:
                run.remove(unwanted)
        run[run.index("-out") + 1] = str(request)
        subprocess.run(run, check=True, capture_output=True)
        database, serial = folder / "index.txt", folder / "serial"
        database.write_text("")
        serial.write_text("01\n")
        config = folder / "ca.cnf"
        config.write_text(
            "[ca]\ndefault_ca = own\n[own]\n"
            f"database = {database}\nserial = {serial}\nnew_certs_dir = {folder}\n"
            "default_md = sha256\npolicy = any\n[any]\ncommonName = supplied\n"
        )
        subprocess.run(
            ["openssl", "ca", "-batch", "-config", str(config), "-selfsign", "-keyfile", str(key),
             "-in", str(request), "-out", str(certificate), "-notext",
             "-startdate", days[0], "-enddate", days[1]],
            check=True, capture_output=True,
        )  # fmt: skip
    key.chmod(0o600)
    return certificate, key
