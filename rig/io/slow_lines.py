# SPDX-License-Identifier: MIT
"""Slow lines through gpiozero: stop and cover loops, and the heartbeat."""

from __future__ import annotations

import contextlib
from typing import Any

from rig.config.setup.model import Setup
from rig.core.errors import HardwareError


class LoopLine:
    """A loop through a normally closed contact (core.ports.Loop), polled, without events."""

    def __init__(self, line: int, pull: str, factory: Any, name: str) -> None:
        from gpiozero import InputDevice

        try:
            held: dict[str, bool | None] = {"pull_up": pull == "up"}
            if pull == "external":
                held = {"pull_up": None, "active_state": False}
            self._device = InputDevice(line, **held, pin_factory=factory)
        except Exception as error:
            raise HardwareError(
                f"Line {line} ({name}) cannot be an input: {error}. Nothing was energised."
            ) from error

    @property
    def closed(self) -> bool:
        """A closed loop holds the line against its pull; a line that cannot be read counts as
        open."""
        try:
            return bool(self._device.is_active)
        except Exception:  # noqa: BLE001 - whatever the driver raises, the loop is not shown closed
            return False

    def close(self) -> None:
        self._device.close()


class HeartbeatLine:
    """The line that toggles only while the interlock's loop runs (core.ports.Heartbeat)."""

    def __init__(self, line: int, factory: Any) -> None:
        from gpiozero import OutputDevice

        try:
            self._device = OutputDevice(line, initial_value=False, pin_factory=factory)
        except Exception as error:
            raise HardwareError(
                f"Line {line} (heartbeat) cannot be an output: {error}. Nothing was energised."
            ) from error

    def beat(self) -> None:
        """Toggle the line. One that cannot be written is a heartbeat that stops."""
        with contextlib.suppress(Exception):
            self._device.toggle()

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self._device.off()
        self._device.close()


def open_slow_lines(
    setup: Setup, factory: Any, opened: contextlib.ExitStack
) -> tuple[dict[str, LoopLine], HeartbeatLine | None]:
    """The loops of a setup by table name, and its heartbeat; closed by `opened`."""
    loops = {}
    for name, wired in (
        ("stop_input", setup.stop_input),
        ("cover_input", setup.cover_input),
        ("confirm_input", setup.confirm_input),
    ):
        if wired is not None:
            loops[name] = LoopLine(wired.line, wired.pull, factory, name)
            opened.callback(loops[name].close)
    heartbeat = None
    if setup.heartbeat is not None:
        heartbeat = HeartbeatLine(setup.heartbeat.line, factory)
        opened.callback(heartbeat.close)
    return loops, heartbeat
