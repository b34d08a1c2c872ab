# SPDX-License-Identifier: MIT
"""Lines of the boot file: pins low from the firmware on, released by their program, watchdog on.

What `gpio=` means, and that some seconds pass after power-up until the firmware applies it, is in
the board's documentation of config.txt; until then the pull-down on the relay's driver holds it.
The names of the dtparam switches are from memory.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from rig.debian import CannotSetUp
from rig.install import table

PLACES = ("boot/firmware/config.txt", "boot/config.txt")
BEGIN, END = "# begin test rig\n", "# end test rig\n"


def place(root: Path) -> Path | None:
    """The boot file; None on a computer without one."""
    return next((root / name for name in PLACES if (root / name).is_file()), None)


def driven_lines(config: Path) -> tuple[set[int], bool]:
    """The lines of the board's header that the setups in a folder drive, and whether one of them
    has a converter. Raises CannotSetUp for an unreadable setup."""
    lines: set[int] = set()
    converter = False
    for path in sorted(config.glob("*.setup.toml")):
        try:
            setup = tomllib.loads(path.read_text())
            if not str(setup.get("chip", "")).startswith("pinctrl-"):
                continue
            lines |= {int(setup[key]["line"]) for key in ("relay", "heartbeat") if key in setup}
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise CannotSetUp(
                f"{path} cannot be read ({error}), so it is not known which pins it drives.\n"
                f"`rig check {path}` says what is wrong. Correct it, or move it away."
            ) from error
        converter |= "converter" in setup
    return lines, converter


def block(lines: set[int], converter: bool) -> str:
    """The marked lines; [all] ends a preceding section for a single model."""
    wanted = ["[all]", "dtparam=strict_gpiod", "dtparam=watchdog=on"]
    wanted += ["dtparam=spi=on"] if converter else []
    wanted += [f"gpio={line}=op,dl" for line in sorted(lines)]
    return BEGIN + "".join(f"{line}\n" for line in wanted) + END


def with_block(text: str, wanted: str) -> str:
    """The boot file's text with the marked lines at its end; without them if none are wanted."""
    before, begin, rest = text.partition(BEGIN)
    if begin:
        _, end, after = rest.partition(END)
        if not end:
            raise CannotSetUp(
                f"The boot file has the line {BEGIN.strip()!r} and not {END.strip()!r}: what lies "
                "between is not known. Take the rig's lines out by hand, then start again."
            )
        text = before + after
    if wanted and text and not text.endswith("\n"):
        text += "\n"
    return text + wanted


def wanted_text(root: Path, path: Path) -> str:
    """The boot file as it should be for the setups in /etc/rig."""
    return with_block(path.read_text(), block(*driven_lines(root / table.CONFIG)))
