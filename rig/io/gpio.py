# SPDX-License-Identifier: MIT
"""The relay line: gpiozero on an explicitly chosen lgpio factory, and the way to take the line.

Active-high drivers only: gpiozero claims an output low first, which would pulse an active-low
relay. On a Raspberry Pi a line may stay driven after its owner has died, so off is commanded before
a line is given back, and the guard takes the line and drives it off itself.
"""

from __future__ import annotations

import contextlib
import errno
import time
from typing import Any, NamedTuple

from rig.core.errors import CoilLiveError, HardwareError, InternalFault
from rig.io import chips, lgpio_loading

TAKE_WITHIN_S = 1.0
"""A killed owner's line is free some 10 ms later; a busy small board may need longer."""

_ATTEMPTS = 2


class BoardFactory(NamedTuple):
    """A gpiozero `factory` on one chip, the chip's number, and the description for the run."""

    factory: Any
    chip_number: int
    description: dict[str, str]


def board_factory(chip_label: str) -> BoardFactory:
    """gpiozero's LGPIOFactory on the chip with this label, and never another factory.

    Raises HardwareError that says what is missing and what to do. Close the factory after use.
    """
    chip = chips.find(chip_label)
    factory_class = lgpio_loading.load_factory_class()
    try:
        factory = factory_class(chip=chip.number)
    except Exception as error:
        raise HardwareError(
            f"{chip.path} cannot be opened through lgpio ({_words(error)}). Give this user access "
            "(on Raspberry Pi OS: group gpio), and see that the chip's driver is loaded."
        ) from error
    description = {
        "chip": chip.path,
        "chip label": chip.label,
        "factory": type(factory).__name__,
        **lgpio_loading.versions(),
    }
    return BoardFactory(factory, chip.number, description)


def _words(error: BaseException) -> str:
    return str(error).strip("'\"") or type(error).__name__


class RelayCoil:
    """The Coil port on a gpiozero output: high energises; low or an unheld line does not.

    `factory` is board_factory's, or a mock factory in simulation. Raises HardwareError if the line
    cannot be claimed; it is claimed low.
    """

    def __init__(self, line: int, factory: Any, chip_path: str = "") -> None:
        if factory is None:  # gpiozero would create a global one, which may fall back
            raise InternalFault("The relay line needs a factory; none was given.")
        from gpiozero import OutputDevice

        self._line, self._commanded_on, self._closed = line, False, False
        try:
            self._device: Any = OutputDevice(
                line, active_high=True, initial_value=False, pin_factory=factory
            )
        except Exception as error:
            raise self._claim_error(error, chip_path) from error

    def _claim_error(self, error: Exception, chip_path: str) -> HardwareError:
        words = _words(error)
        if type(error).__name__ == "PinUnknownPi":
            remedy = "gpiozero knows the lines of a Raspberry Pi only, and this machine is not one."
        elif "busy" in words.lower() and chip_path:
            name = chips.consumer(chips.gpiod_module(), chip_path, self._line)
            remedy = (
                f'It is in use by "{name or "a program the kernel does not name"}". End that '
                "program, or remove the overlay that uses the line."
            )
        else:
            remedy = 'Check the key "line" of [relay] in the setup.'
        return HardwareError(f"Relay line {self._line} cannot be claimed: {words}. {remedy}")

    @property
    def commanded_on(self) -> bool:
        return self._commanded_on

    def on(self) -> None:
        """Command on. Raises HardwareError; then treat the line as if it were on."""
        if self._closed:
            raise HardwareError(f"Relay line {self._line} is closed and cannot be commanded on.")
        self._commanded_on = True  # before the write: it may take effect despite an error
        try:
            self._device.on()
        except Exception as error:
            raise HardwareError(
                f"Relay line {self._line} could not be commanded on ({_words(error)})."
            ) from error

    def off(self) -> None:
        """Command off: write low, retry if that fails, then release the line as an input.

        Raises CoilLiveError only after all of that, if no write succeeded: at best the line is then
        released to its pull-down.
        """
        self._commanded_on = False
        if self._closed:
            return
        error = self._write_off()
        if error is None:
            return
        with contextlib.suppress(Exception):  # the failed write below is the error to report
            self._device.close()
        raise CoilLiveError(
            f"relay line {self._line} could not be commanded off ({_words(error)}), so it counts "
            "as live."
        ) from error

    def _write_off(self) -> Exception | None:
        failed: Exception | None = None
        for _ in range(_ATTEMPTS):
            try:
                self._device.off()
            except Exception as error:  # noqa: BLE001 - whatever it was, the next attempt counts
                failed = error
            else:
                return None
        return failed

    def close(self) -> None:
        """Command off, then give the line back. Idempotent."""
        if self._closed:
            return
        try:
            self.off()
        finally:
            self._closed = True
            self._device.close()


class HeldLine:
    """A line claimed as an output and driven low, until closed."""

    def __init__(self, request: Any, offset: int, inactive: Any) -> None:
        self._request, self._offset, self._inactive = request, offset, inactive

    @property
    def low(self) -> bool:
        """Whether the line reads low now."""
        try:
            return bool(self._request.get_value(self._offset) is self._inactive)
        except OSError:
            return False

    def close(self) -> None:
        """Give the line back; it then follows its pull, or stays driven if the kernel keeps it
        so."""
        self._request.release()


class LineTaker:
    """Everything needed to take a line, prepared in advance.

    Loading gpiod, finding the chip and opening it take a small board far longer than the request
    itself. Raises HardwareError if the chip cannot be found or opened.
    """

    def __init__(self, chip_path: str, offset: int) -> None:
        self._path, self._offset = chip_path, offset
        self._gpiod = gpiod = chips.gpiod_module()
        self._inactive = gpiod.line.Value.INACTIVE
        settings = gpiod.LineSettings(
            direction=gpiod.line.Direction.OUTPUT, output_value=self._inactive
        )
        self._config = {offset: settings}
        try:
            self._chip = gpiod.Chip(chip_path)
        except OSError as error:
            raise chips.line_error(gpiod, chip_path, [offset], error) from error

    def take(self, within_s: float = TAKE_WITHIN_S) -> HeldLine:
        """Claim the line as an output driven low, retrying while a dying owner lets go.

        Raises HardwareError if it could not be claimed within `within_s` seconds.
        """
        until = time.monotonic() + within_s
        while True:
            try:
                request = self._chip.request_lines(self._config, consumer="rig off")
            except (OSError, ValueError) as error:
                busy = isinstance(error, OSError) and error.errno == errno.EBUSY
                if not busy or time.monotonic() > until:
                    raise chips.line_error(
                        self._gpiod, self._path, [self._offset], error
                    ) from error
                time.sleep(0.002)
            else:
                return HeldLine(request, self._offset, self._inactive)

    def close(self) -> None:
        """Close the chip. A line already taken stays held."""
        self._chip.close()


def hold_line_off(chip_path: str, offset: int, within_s: float = TAKE_WITHIN_S) -> HeldLine:
    """Claim a line as an output driven low, retrying while a dying owner lets go.

    Raises HardwareError if it could not be claimed within `within_s` seconds.
    """
    taker = LineTaker(chip_path, offset)
    try:
        return taker.take(within_s)
    finally:
        taker.close()


def take_line_off(chip_path: str, offset: int) -> bool:
    """Claim the line driven low, read whether it is low, release it.

    Returns the reading. Raises HardwareError if the line could not be claimed.
    """
    held = hold_line_off(chip_path, offset)
    try:
        return held.low
    finally:
        held.close()


def find_chip(label: str) -> str:
    """Device path of the chip with this label. Raises HardwareError."""
    return chips.find(label).path


def read_level(chip_path: str, offset: int, pull: str) -> int:
    """The electrical level of an input, claimed for this one reading. Raises HardwareError."""
    from rig.io.edges import KernelEdges

    edges = KernelEdges(chip_path, {"look": (offset, pull)})
    try:
        return edges.level("look")
    finally:
        edges.close()
