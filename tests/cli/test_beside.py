# SPDX-License-Identifier: MIT
"""A view in a thread of its own hands on everything, the alarm above all."""

from __future__ import annotations

import inspect
import threading

import pytest

from rig.actions.beside import Beside
from rig.desk.session import Watcher


def test_everything_a_desk_hears_is_handed_on() -> None:
    """One that is not would be swallowed by the empty methods of Watcher."""
    heard = {name for name, _ in inspect.getmembers(Watcher, inspect.isfunction)}
    assert heard <= set(vars(Beside))


@pytest.mark.parametrize("failed", [False, True])
def test_an_alarm_is_shown_although_the_view_failed(failed: bool) -> None:
    shown, there = [], threading.Event()

    class View(Watcher):
        def alarm(self, words: str) -> None:
            shown.append(words)
            there.set()

    def begin() -> None:
        if failed:
            raise OSError("no terminal")

    drawn = Beside(View(), begin, lambda: None)
    drawn.start()
    drawn._thread.join(0.2)
    drawn.alarm("COIL NOT CONFIRMED OFF")
    assert there.wait(5) and shown == ["COIL NOT CONFIRMED OFF"]
    drawn.stop()
