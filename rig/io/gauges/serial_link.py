# SPDX-License-Identifier: MIT
"""The gauge's serial port: the only place that knows pyserial.

1. Reads never block and take a limited number of bytes; the bench's loop is the deadline.
2. The port is opened exclusively, in two ways: the lock that pyserial takes only stops programs
   that ask for it, TIOCEXCL also stops the others.
3. A port that goes away raises one of several unrelated exceptions; all are caught at one boundary
   and become LinkLost. A wired port whose gauge falls silent raises nothing: that is for the
   interlock's stale rule.
4. Writes never block either: a request of a few bytes goes into the kernel's buffer whole, or
   counts as not sent.
5. A lost port is retried from read(), at growing intervals. Opening a sick USB adapter may block,
   so the first attempt waits until the stale rule has acted and the coil is off.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import termios
from pathlib import Path
from typing import Any

from rig.core.clock import NS_PER_S, Clock, MonotonicClock
from rig.core.errors import HardwareError
from rig.io.gauges.links import LinkLost, MemoryLink

__all__ = ["LinkLost", "MemoryLink", "SerialLink"]

READ_MOST = 4096
"""Bytes taken in one read(): 0.4 s at 115,200 baud."""

_PARITY = {"none": "N", "even": "E", "odd": "O"}
# OSError covers pyserial's own SerialException; termios.error is neither; pyserial raises TypeError
# and ValueError for a port that went away or lacks a requested feature.
_PORT_ERRORS = (OSError, termios.error, TypeError, ValueError)
_NO_LOW_LATENCY = (*_PORT_ERRORS, NotImplementedError)
"""pyserial's errors for a driver or platform without that mode."""


class SerialLink:
    """A serial port as a ByteLink. Raises HardwareError if the first opening fails."""

    def __init__(
        self,
        port: str,
        baud: int = 9600,
        bytesize: int = 8,
        parity: str = "none",
        stopbits: int = 1,
        *,
        dtr: bool | None = None,
        rts: bool | None = None,
        clock: Clock | None = None,
        reopen_after_s: float = 1.0,
        reopen_most_s: float = 5.0,
    ) -> None:
        self.port = port
        self.opened = 0
        self._settings: dict[str, Any] = {
            "baudrate": baud,
            "bytesize": bytesize,
            "parity": _PARITY[parity],
            "stopbits": stopbits,
        }
        self._control = {"dtr": dtr, "rts": rts}
        self._clock = clock or MonotonicClock()
        self._first_ns = int(reopen_after_s * NS_PER_S)
        self._most_ns = int(reopen_most_s * NS_PER_S)
        self._serial: Any = None
        self._lost: LinkLost | None = None
        self._closed = False
        self._pause_ns, self._retry_ns = self._first_ns, 0
        try:
            self._open()
        except _PORT_ERRORS as error:
            raise HardwareError(_why_not(port, error)) from error

    def _open(self) -> None:
        import serial

        device: Any = serial.Serial(
            None, timeout=0, write_timeout=0, exclusive=True, **self._settings
        )
        for line, level in self._control.items():
            if level is not None:  # set before opening; some kernels still raise both briefly
                setattr(device, line, level)
        device.port = self.port
        device.open()
        try:
            fcntl.ioctl(device.fd, termios.TIOCEXCL)
            _keep_control_lines(device.fd)
            with contextlib.suppress(*_NO_LOW_LATENCY):  # then leave it as it is
                device.set_low_latency_mode(True)
        except BaseException:
            _give_back(device)
            raise
        self._serial = device
        self.opened += 1

    def read(self) -> list[tuple[int, bytes]]:
        """What arrived, each piece stamped when it was read. Raises LinkLost once per loss."""
        self._tell_loss()
        if self._serial is None:
            self._try_again()
            return []
        pieces: list[tuple[int, bytes]] = []
        left = READ_MOST
        try:
            while left:
                waiting = self._serial.in_waiting
                if pieces and not waiting:
                    break
                data = os.read(self._serial.fd, min(waiting, left)) if waiting else b""
                data = data or self._serial.read(1)  # with nothing there: looks whether it is lost
                if not data:
                    break
                pieces.append((self._clock.now_ns(), data))
                left -= len(data)
        except _PORT_ERRORS as error:
            self._lose(error)
            if not pieces:  # else the bytes first, the loss next time
                self._tell_loss()
        return pieces

    @property
    def up(self) -> bool:
        return self._serial is not None

    def write(self, data: bytes) -> bool:
        """Hand bytes to the port, which sends them by itself. False if it did not accept them
        all."""
        if self._serial is None:
            return False
        try:
            return os.write(self._serial.fd, data) == len(data)
        except BlockingIOError:
            return False
        except _PORT_ERRORS as error:
            self._lose(error)
            return False

    def discard(self) -> None:
        """Discard bytes that arrived but were not read."""
        if self._serial is None:
            return
        try:
            termios.tcflush(self._serial.fd, termios.TCIFLUSH)
        except _PORT_ERRORS as error:
            self._lose(error)

    def fileno(self) -> int | None:
        return None if self._serial is None else int(self._serial.fd)

    def close(self) -> None:
        """Give the port back. Idempotent."""
        self._closed = True
        self._lost = None
        self._drop()

    def _drop(self) -> None:
        device, self._serial = self._serial, None
        if device is not None:
            _give_back(device)

    def _tell_loss(self) -> None:
        lost, self._lost = self._lost, None
        if lost is not None:
            raise lost

    def _lose(self, error: Exception) -> None:
        now_ns = self._clock.now_ns()
        self._lost = LinkLost(f"{self.port}: {error}", now_ns)
        self._pause_ns = self._first_ns
        self._retry_ns = now_ns + self._pause_ns
        self._drop()

    def _try_again(self) -> None:
        now_ns = self._clock.now_ns()
        if self._closed or now_ns < self._retry_ns:
            return
        if Path(self.port).exists():
            with contextlib.suppress(*_PORT_ERRORS):  # still away or not ready: try again later
                self._open()
                return
        self._pause_ns = min(2 * self._pause_ns, self._most_ns)
        self._retry_ns = self._clock.now_ns() + self._pause_ns


def _give_back(device: Any) -> None:
    """Close, and let users other than root open it again, even if its far end holds the port."""
    with contextlib.suppress(*_PORT_ERRORS):  # a port that is gone has nothing to give back
        fcntl.ioctl(device.fd, termios.TIOCNXCL)
    with contextlib.suppress(*_PORT_ERRORS):
        device.close()


def _keep_control_lines(fd: int) -> None:
    """Clear HUPCL: closing the port must not drop DTR, which resets some gauges."""
    with contextlib.suppress(*_PORT_ERRORS):
        settings = termios.tcgetattr(fd)
        settings[2] &= ~termios.HUPCL
        termios.tcsetattr(fd, termios.TCSANOW, settings)


def _why_not(port: str, error: BaseException) -> str:
    number = error.errno if isinstance(error, OSError) else None
    if number == errno.ENOENT or not Path(port).exists():
        return (
            f"Gauge port {port}: not there. {_ports_there()} Plug the gauge in, or correct the "
            'name of the port (in a setup the key "port" of [gauge]); names under '
            "/dev/serial/by-id do not change."
        )
    if number in (errno.EAGAIN, errno.EBUSY):
        by = ", ".join(_holders(port)) or "a program of another user"
        return (
            f"Gauge port {port}: in use by {by}. End it, perhaps a `rig gauge` in another window; "
            "a modem or braille service that probes serial ports can be told to leave this one "
            "alone."
        )
    if number in (errno.EACCES, errno.EPERM):
        return f"Gauge port {port}: no permission. Give this user access (group dialout)."
    if not Path(port).is_char_device() or "Inappropriate ioctl" in str(error):
        return f"Gauge port {port}: this is no serial port. {_ports_there()}"
    return (
        f"Gauge port {port}: cannot be opened ({error}). Is it a serial port, and does it support "
        "the baud rate and parity of the setup?"
    )


def _ports_there() -> str:
    found = sorted(str(path) for path in Path("/dev/serial/by-id").glob("*"))
    if not found:
        found = sorted(
            str(path) for kind in ("USB", "ACM") for path in Path("/dev").glob(f"tty{kind}*")
        )
    return f"There are: {', '.join(found)}." if found else "No USB serial port is plugged in."


def _holders(port: str) -> list[str]:
    """The programs that hold the port open, as far as this user can see."""
    real = os.path.realpath(port)
    found: list[str] = []
    for link in Path("/proc").glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            if str(link.readlink()) == real:
                folder = link.parent.parent
                name = (folder / "comm").read_text().strip()
                found.append(f"{name} (process {folder.name})")
    return sorted(set(found))
