# SPDX-License-Identifier: MIT
"""The confirm button: a page can arm only after somebody at the rig has pressed it."""

from __future__ import annotations

from rig.core.errors import RefusedError
from rig.core.ports import Loop

NS = 1_000_000_000
CONFIRM_NS = 20 * NS
"""How long after a press a page may arm."""


class ConfirmButton:
    """Watches the button between orders. A press is a change from open to closed and is good for
    one arming: a button that is always closed confirms nothing."""

    def __init__(self, button: Loop) -> None:
        self._button = button
        self._pressed_ns: int | None = None
        self._was_open = False

    def look(self, now_ns: int) -> None:
        """Sample the button once a turn."""
        closed = self._button.closed
        if closed and self._was_open:
            self._pressed_ns = now_ns
        self._was_open = not closed

    def take(self, now_ns: int) -> None:
        """Use up the press for an arming now. Raises RefusedError if there is none."""
        pressed_ns, self._pressed_ns = self._pressed_ns, None
        held = self._button.closed  # not released yet, or jammed
        if held or pressed_ns is None or not now_ns - pressed_ns <= CONFIRM_NS:
            raise RefusedError(
                "Nobody at the rig has confirmed: press the confirm button there and let go, then "
                f"arm within {CONFIRM_NS / NS:.0f} s. A button that is closed all the time "
                "confirms nothing. Nothing was energised.",
                id_="refusal.button-not-pressed",
            )
