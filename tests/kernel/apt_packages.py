# SPDX-License-Identifier: MIT
"""Debian packages of the emulated machine: query apt, install tools, download the kernel's own.

Tools are installed (rig.debian: only where that is allowed); the kernel's packages are downloaded
and unpacked elsewhere, never installed, so the host's boot set-up stays as it is.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from rig import debian
from rig.debian import CannotSetUp

SERIES = "6.12"
WHO = "The emulated kernel"


def say(text: str) -> None:
    """Tell what is being done: preparation is slow the first time and may change the host."""
    print(f"emulated kernel: {text}", file=sys.stderr, flush=True)


def run(command: list[str], cwd: Path | None = None) -> str:
    """Run a command and return what it printed; CannotSetUp with its last lines when it fails."""
    done = subprocess.run(
        command, cwd=cwd, stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace"
    )
    if done.returncode != 0:
        tail = "\n".join((done.stdout + done.stderr).strip().splitlines()[-8:])
        raise CannotSetUp(f"{WHO}: `{' '.join(command)}` failed with {done.returncode}.\n{tail}")
    return done.stdout


def install(packages: list[str]) -> None:
    say(f"installing {' '.join(packages)} with apt-get")
    debian.install_packages(packages, WHO)


def update() -> None:
    """Refresh apt's lists, where that is allowed."""
    root = debian.as_root()
    if root is None:
        raise CannotSetUp(f"{WHO}: apt's lists are missing or old.", "sudo apt-get update")
    say("refreshing the lists of packages with apt-get update")
    run([*root, "apt-get", "-qq", "update"])


def _ask(*query: str) -> str:
    try:
        done = subprocess.run(["apt-cache", *query], capture_output=True, text=True)
    except OSError:
        return ""
    return done.stdout if done.returncode == 0 else ""


def knows(package: str) -> bool:
    return bool(_ask("show", "--no-all-versions", package))


def kernel_version() -> str | None:
    """Debian's current kernel of the series, such as "6.12.x+deb12-amd64"; None: not known."""
    for package in (f"linux-image-{SERIES}-amd64", "linux-image-amd64"):
        found = re.search(
            rf"Depends: linux-image-({re.escape(SERIES)}\.\S+-amd64)", _ask("depends", package)
        )
        if found:
            return found.group(1)
    return None


def kernel_packages(version: str) -> list[str]:
    """What to download for one kernel: image, headers, build tools, and its very own source."""
    shown = _ask("show", "--no-all-versions", f"linux-image-{version}")
    found = re.search(r"^Version: (\S+)", shown, re.MULTILINE)
    if found is None:
        raise CannotSetUp(f"{WHO}: apt knows no package linux-image-{version}.")
    bare = version.removesuffix("-amd64")
    return [
        f"linux-image-{version}",
        f"linux-headers-{version}",
        f"linux-headers-{bare}-common",
        f"linux-kbuild-{bare}",
        f"linux-source-{SERIES}={found.group(1)}",
        "busybox-static",
    ]


def download(packages: list[str], folder: Path) -> None:
    """Fetch packages into `folder` and unpack them into its folder "root"."""
    say(f"downloading {len(packages)} packages of the kernel (about 280 MB, once)")
    run(["apt-get", "download", *packages], cwd=folder)
    for package in sorted(folder.glob("*.deb")):
        run(["dpkg-deb", "-x", str(package), str(folder / "root")])
        package.unlink()
