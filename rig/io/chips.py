# SPDX-License-Identifier: MIT
"""GPIO chips of this machine, found by label, never by number, which changes between kernels."""

from __future__ import annotations

import contextlib
import errno
import importlib
import os
import re
from pathlib import Path
from typing import Any, NamedTuple

from rig.core.errors import HardwareError

SIMULATORS = ("gpio-sim", "gpio-mockup")
"""Drivers of the kernel's own GPIO simulators."""

_NODE = re.compile(r"gpiochip(\d+)")


class Chip(NamedTuple):
    """A GPIO chip: device `path`, its `number`, and the kernel's label."""

    path: str
    number: int
    label: str
    lines: int


def gpiod_module() -> Any:
    """The gpiod package, loaded on first use. Raises HardwareError if it is missing."""
    try:
        gpiod = importlib.import_module("gpiod")
    except ImportError as error:
        raise HardwareError(
            f"The Python package gpiod cannot be loaded ({error}). "
            'A board needs it: install the extra "board" (pip install "solenoid-rig[board]").'
        ) from error
    if not hasattr(gpiod, "LineSettings"):
        raise HardwareError(
            "The Python package gpiod is older than version 2 (Debian's python3-libgpiod 1.x looks "
            'like this). Install the extra "board" (pip install "solenoid-rig[board]").'
        )
    return gpiod


def find(label: str, dev: Path = Path("/dev")) -> Chip:
    """The chip labelled exactly `label`. Raises HardwareError that lists the chips present."""
    chips, closed = _look(dev)
    found = [chip for chip in chips if chip.label == label]
    if len(found) == 1:
        return found[0]
    raise HardwareError(_not_one(label, found, chips, closed))


def absent(label: str, dev: Path = Path("/dev")) -> bool:
    """Whether this computer certainly has no chip with this label."""
    if not _nodes(dev):
        return True
    chips, closed = _look(dev)
    return not closed and all(chip.label != label for chip in chips)


def _look(dev: Path) -> tuple[list[Chip], list[str]]:
    """The chips, and messages about those that could not be opened."""
    gpiod = gpiod_module()
    chips: list[Chip] = []
    closed: list[str] = []
    for path in _nodes(dev):
        try:
            with gpiod.Chip(str(path)) as chip:
                info = chip.get_info()
        except PermissionError:
            closed.append(f"{path} (no permission)")
        except OSError as error:
            closed.append(f"{path} ({error.strerror or error})")
        else:
            number = int(path.name.removeprefix("gpiochip"))
            chips.append(Chip(str(path), number, info.label, info.num_lines))
    return chips, closed


def _nodes(dev: Path) -> list[Path]:
    """The chips' device nodes, each device once: a kernel may keep an old name as a link."""
    found: dict[str, Path] = {}
    for path in dev.glob("gpiochip*"):
        real = path.resolve()
        if _NODE.fullmatch(real.name):
            found[str(real)] = real
    return sorted(found.values(), key=lambda path: int(path.name.removeprefix("gpiochip")))


def _not_one(label: str, found: list[Chip], chips: list[Chip], closed: list[str]) -> str:
    listed = "; ".join([f'{chip.path} "{chip.label}"' for chip in chips] + closed)
    if len(found) > 1:
        return (
            f'{len(found)} GPIO chips are labelled "{label}": '
            f"{', '.join(chip.path for chip in found)}. Which one is wired cannot be known; "
            "remove the other chip's driver or overlay."
        )
    if not listed:
        return (
            f'No GPIO chip labelled "{label}": this machine has no /dev/gpiochip*. Run on the '
            'board, or use a setup with backend = "simulated".'
        )
    remedy = 'Write the label of the wired chip as the key "chip" of the setup'
    if closed:
        remedy += ", and give this user access to the chips (on Raspberry Pi OS: group gpio)"
    return f'No GPIO chip labelled "{label}". There are: {listed}. {remedy}.'


def consumer(gpiod: Any, chip_path: str, line: int) -> str:
    """The holder of a line, as named by the kernel; empty if there is none or it is unknown."""
    with contextlib.suppress(OSError, ValueError), gpiod.Chip(chip_path) as chip:
        info = chip.get_line_info(line)
        return (info.consumer or "an unnamed program") if info.used else ""
    return ""


def line_error(gpiod: Any, chip_path: str, lines: list[int], error: Exception) -> HardwareError:
    """Turn a refused request for lines into a HardwareError that says who or what blocks it."""
    names = ", ".join(str(line) for line in lines)
    what = f"Line {names} of {chip_path}" if len(lines) == 1 else f"Lines {names} of {chip_path}"
    number = error.errno if isinstance(error, OSError) else None
    if number == errno.EBUSY:
        held = [(line, consumer(gpiod, chip_path, line)) for line in lines]
        told = "; ".join(f'line {line} by "{name}"' for line, name in held if name)
        return HardwareError(
            f"{what}: in use ({told or 'by whom the kernel does not say'}). End that program, or "
            "remove the overlay that uses the line; one program owns the rig's lines."
        )
    if number in (errno.EACCES, errno.EPERM):
        return HardwareError(f"{what}: no permission. Give this user access (group gpio).")
    if number in (errno.ENOENT, errno.ENODEV):
        return HardwareError(f"{what}: the chip is gone ({error}). Was its driver unloaded?")
    if isinstance(error, ValueError) or number == errno.EINVAL:
        return HardwareError(
            f"{what}: refused ({error}). Check the line numbers in the setup; `gpioinfo` lists "
            "the lines of the chip."
        )
    if number == errno.ENXIO:
        return HardwareError(f"{what}: this line cannot report edges. Wire another one.")
    return HardwareError(f"{what}: refused by the kernel ({error}).")


def is_simulated(chip_path: str, sysfs: Path = Path("/sys")) -> bool:
    """Whether the chip belongs to the kernel's GPIO simulator, from its driver in sysfs.

    The label does not show it: it can be set to that of any board.
    """
    try:
        device = Path(chip_path).stat().st_rdev
        node = (sysfs / "dev/char" / f"{os.major(device)}:{os.minor(device)}").resolve(strict=True)
    except OSError:
        return False
    root = sysfs.resolve()
    for folder in (node, *node.parents):
        if folder == root:
            break
        driver = folder / "driver"
        if driver.is_symlink() and driver.resolve().name in SIMULATORS:
            return True
    return False
