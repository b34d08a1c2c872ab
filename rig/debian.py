# SPDX-License-Identifier: MIT
"""Debian packages that set-up needs: installed where that is allowed, otherwise named.

Only the standard library, and nothing newer than Python 3.7: the refusal of an older Python than
the project's must itself run there.
"""

from __future__ import annotations

import ctypes.util
import importlib
import importlib.util
import os
import shutil
import subprocess
import sys
import sysconfig
from collections.abc import Sequence
from pathlib import Path

OLDEST_PYTHON = (3, 11)
WITHOUT_LGPIO_WHEEL = (3, 13)
"""From this Python on PyPI has no built lgpio that works; it is compiled from its source."""

PDF_PACKAGES = ("libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0")
"""What WeasyPrint loads from the system (its own documentation names them for Debian)."""


class CannotSetUp(RuntimeError):
    """Set-up cannot go on. `command` is the one line to type first, empty where there is none."""

    def __init__(self, what: str, command: str = "") -> None:
        self.what, self.command = what, command
        super().__init__(what)

    def __str__(self) -> str:
        if not self.command:
            return self.what
        return f"{self.what}\nType this, then start again:\n\n    {self.command}\n"


def say(text: str) -> None:
    """One line to the person, at once."""
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def require_python(version: tuple[int, int] = sys.version_info[:2]) -> None:
    """Refuse a Python older than the project supports."""
    if version < OLDEST_PYTHON:
        raise CannotSetUp(
            "This needs Python {}.{} or later; {} is Python {}.{}.\n"
            "Debian 12 and 13, and Raspberry Pi OS of the same age, have one that fits.".format(
                *OLDEST_PYTHON, sys.executable, *version
            )
        )


def as_root() -> list[str] | None:
    """What to put before a command to run it as root without asking anyone, or None."""
    if os.geteuid() == 0:
        return []
    if not shutil.which("sudo"):
        return None
    asked = subprocess.run(["sudo", "-n", "true"], stdin=subprocess.DEVNULL, capture_output=True)
    return ["sudo", "-n"] if asked.returncode == 0 else None


def apt_command(packages: Sequence[str]) -> str:
    """The command a person types to install these Debian packages."""
    install = "apt-get install --no-install-recommends -y " + " ".join(packages)
    if os.geteuid() == 0:
        return f"apt-get update && {install}"
    if shutil.which("sudo"):
        return f"sudo apt-get update && sudo {install}"
    return f"su -c 'apt-get update && {install}'"


def install_packages(packages: Sequence[str], who: str) -> None:
    """Install Debian packages that `who` needs, saying so; raises CannotSetUp where it may not."""
    names = " ".join(packages)
    noun = "package" if len(packages) == 1 else "packages"
    if not shutil.which("apt-get"):
        raise CannotSetUp(
            f"{who} needs what Debian calls {names}; this system has no apt-get.\n"
            "Install the same with its own package manager, then start again."
        )
    root = as_root()
    if root is None:
        raise CannotSetUp(
            f"{who} needs the Debian {noun} {names}, and installing needs root.",
            apt_command(packages),
        )
    say(f"{who} needs the Debian {noun} {names}: installing with apt-get ...")
    apt = [*root, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-qq"]
    for arguments in (["update"], ["install", "--no-install-recommends", "-y", *packages]):
        done = subprocess.run(
            [*apt, *arguments], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, text=True, errors="replace",
        )  # fmt: skip
        if done.returncode:
            sys.stdout.write(done.stdout)
            raise CannotSetUp(
                f"apt-get {arguments[0]} failed, see above; {who} needs {names}.",
                apt_command(packages),
            )
    importlib.invalidate_caches()


def require_pdf_libraries() -> None:
    """What drawing a PDF takes from the system beside the Python package."""
    names = ("pango-1.0", "pangoft2-1.0", "harfbuzz-subset")
    if not all(ctypes.util.find_library(name) for name in names):
        install_packages(PDF_PACKAGES, "Printing to PDF")


def require_venv_module() -> None:
    """Debian keeps ensurepip, without which no venv can be made, in a package of its own."""
    if importlib.util.find_spec("venv") and importlib.util.find_spec("ensurepip"):
        return
    install_packages(["python3-venv"], "A virtual environment")
    if not importlib.util.find_spec("ensurepip"):  # a Python that is not the system's own
        package = "python{}.{}-venv".format(*sys.version_info[:2])
        install_packages([package], f"A virtual environment of {sys.executable}")


def require_board_build() -> None:
    """What compiling the board's Python packages takes: spidev, and lgpio where it has no wheel."""
    missing = []
    if not shutil.which("gcc"):
        missing += ["gcc", "libc6-dev"]
    if not Path(sysconfig.get_path("include"), "Python.h").is_file():
        missing.append("python3-dev")
    if sys.version_info >= WITHOUT_LGPIO_WHEEL and not shutil.which("swig"):
        missing.append("swig")
    if missing:
        install_packages(missing, "Compiling the GPIO libraries")
