# SPDX-License-Identifier: MIT
"""Load lgpio and gpiozero without the side effects of importing them.

Importing lgpio starts a thread (it lasts as long as the process; the rig gives it nothing to do),
creates a FIFO in the working directory, or in LG_WD after changing the working directory to it, and
fails with a misleading error if it may not write. Anyone who may write to that FIFO can fake edges.
So lgpio gets a private folder (mode 0700), which is removed at once, and the working directory is
restored.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import os
import re
import shutil
import sys
import tempfile
import warnings
from typing import Any

from rig.core.errors import HardwareError

GPIOZERO_LEAST = "2.0.1.post3"
"""Earlier ones ignore the chip's number on a Raspberry Pi 5, or fall back to another library."""

_EXTRA = 'install the extra "board" (pip install "solenoid-rig[board]")'
_ours: list[object] = []


def load_lgpio() -> Any:
    """The lgpio package. Raises HardwareError if it is missing, empty, or loaded unprotected."""
    if _ours:
        return _ours[0]
    if "lgpio" in sys.modules:
        raise HardwareError(
            "lgpio was loaded before the rig could give it a private folder. Nothing else may "
            "import it in this process."
        )
    lgpio = _import_in_private_folder()
    if not hasattr(lgpio, "gpiochip_open"):
        raise HardwareError(
            "The installed lgpio is an empty placeholder (pip finds no wheel for this Python). "
            "Install Debian's python3-lgpio and make the virtual environment with "
            "--system-site-packages."
        )
    _ours.append(lgpio)
    return lgpio


def _import_in_private_folder() -> Any:
    before = os.environ.get("LG_WD")
    parents = [before, os.environ.get("XDG_RUNTIME_DIR"), tempfile.gettempdir()]
    usable = [parent for parent in parents if parent and os.access(parent, os.W_OK | os.X_OK)]
    if not usable:
        raise HardwareError(
            "lgpio needs a folder it may write to, and neither LG_WD, XDG_RUNTIME_DIR nor the "
            "temporary folder is one. Set LG_WD to a folder of this user, mode 0700."
        )
    folder = tempfile.mkdtemp(prefix="rig-lgpio-", dir=usable[0])
    where = os.open(".", os.O_RDONLY | os.O_DIRECTORY)
    os.environ["LG_WD"] = folder
    try:
        return importlib.import_module("lgpio")
    except (ImportError, OSError) as error:
        raise HardwareError(
            f"The Python package lgpio cannot be loaded ({error}). A board needs it: {_EXTRA}; "
            "on Python 3.13 use Debian's python3-lgpio."
        ) from error
    finally:
        os.fchdir(where)
        os.close(where)
        if before is None:
            del os.environ["LG_WD"]
        else:
            os.environ["LG_WD"] = before
        shutil.rmtree(folder)  # the FIFO stays open, but has no name to write to


def load_factory_class() -> Any:
    """gpiozero's LGPIOFactory class, never another. Raises HardwareError."""
    check_gpiozero_version(_version("gpiozero"))
    load_lgpio()
    try:
        with warnings.catch_warnings():
            exceptions = importlib.import_module("gpiozero.exc")
            warnings.simplefilter("error", exceptions.PinFactoryFallback)
            return importlib.import_module("gpiozero.pins.lgpio").LGPIOFactory
    except Exception as error:
        raise HardwareError(
            f"gpiozero cannot use lgpio ({error}). No other library is used instead: {_EXTRA}."
        ) from error


def check_gpiozero_version(version: str) -> None:
    """Raises HardwareError for a gpiozero that may drive the wrong chip."""
    if _numbers(version) < _numbers(GPIOZERO_LEAST):
        raise HardwareError(
            f"gpiozero {version or '(none)'} is too old: it may drive the wrong chip or fall back "
            f"to another library. At least {GPIOZERO_LEAST} is needed: {_EXTRA}."
        )


def _numbers(version: str) -> tuple[int, int, int, int]:
    match = re.match(r"(\d+)\.(\d+)(?:\.(\d+))?(?:\.post(\d+))?", version)
    a, b, c, post = match.groups(default="0") if match else ("0",) * 4
    return int(a), int(b), int(c), int(post)


def _version(package: str) -> str:
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return ""


def versions() -> dict[str, str]:
    """Versions of the driver packages, for the run's description."""
    found = {name: _version(name) for name in ("gpiozero", "lgpio", "gpiod", "pyserial")}
    return {name: version for name, version in found.items() if version}
